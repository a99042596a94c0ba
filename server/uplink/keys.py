"""The command key and the counter that is never used twice.

The key is 32 random bytes in a file of mode 0600 in the user's settings, outside every session; it is never shown,
logged, recorded or sent, only its fingerprint is. The counter of each key is a small file, kept in two places: beside
the key, and in a second folder the caller gives, so that lost settings do not bring old values back. Each is replaced
and synced *before* a new value is used, and the higher one counts: whatever crashes or is lost, one that is left is at
least as high as every value used.

A key and its counter are made together, the counter first. So a key that has no counter in either place is not a new
one: its counter was lost, nobody can know what was used, and it is refused until it is rotated.

The file holds the highest value that may have been used. It runs `SPARE` ahead, so that safe all still has a number
when the disk fails; after a restart those spares are skipped, never used.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import stat
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows: one station per key is then up to the person
    fcntl = None

from protocol.commands import COUNTER_MAX, KEY_SIZE
from server.problems import Problem

KEY_FILE = "command.key"
SPARE = 8
# When one of the two places is gone, the other may be an older copy (a folder taken back from a backup): so many values
# are passed over. Far more than anybody sends between two backups, and there are 65 535 such gaps in 32 bits.
GAP_AFTER_LOSS = 1 << 16
# Telemetry carries no tag: one forged or damaged packet must not use up the numbers. No key lives through half of them.
BELIEVED_AT_MOST = COUNTER_MAX // 2
ROTATE = "Make a new key with 'blockhouse key rotate' and put it into the flight computer."


class KeyProblem(Problem):
    """The key or its counter cannot be used; the text is one plain sentence."""


def load_or_make_key(folder: Path, copies: Path | None = None) -> bytes:
    """Return the key in `folder`, made on first use with mode 0600; raises KeyProblem.

    With a new key its counter is made, beside it and in `copies`.
    """
    path = folder / KEY_FILE
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not path.exists():
            _make_key(folder, copies)
        mode = stat.S_IMODE(path.stat().st_mode)
        text = path.read_text("ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", error)
        raise KeyProblem(f"The command key {path} cannot be read or made: {why}.") from error
    if os.name == "posix" and mode & 0o077:
        raise KeyProblem(f"The command key {path} can be read by others (mode {mode:04o}); run: chmod 600 {path}")
    try:
        key = bytes.fromhex(text)
    except ValueError as error:
        sentence = f"The command key {path} is not hexadecimal; restore it or remove it to make a new one."
        raise KeyProblem(sentence) from error
    if len(key) != KEY_SIZE:
        raise KeyProblem(f"The command key {path} has {len(key)} bytes, {KEY_SIZE} are needed.")
    return key


def rotate_key(folder: Path, stamp: str, copies: Path | None = None) -> tuple[bytes, Path]:
    """Put a new key in the place of the one in `folder`; return it and the file that keeps the old one.

    The old key is kept as it is, even if it can no longer be used, under the name of the key with `stamp` added, mode
    0600. The new key's counter starts anew. At every instant there is a key, the old one or the new one, with its
    counter. Raises KeyProblem.
    """
    path = folder / KEY_FILE
    kept = path.with_name(f"{KEY_FILE}.{stamp}")
    try:
        old = path.read_bytes()
    except OSError as error:
        raise KeyProblem(f"There is no command key {path} to rotate: {error.strerror}.") from error
    key = secrets.token_bytes(KEY_SIZE)
    try:
        CounterStore(folder, key, copies).begin()
        _write_new(kept, old)
        with _written_aside(folder, key) as temporary:
            os.replace(temporary, path)
        _sync_folder(folder)
    except OSError as error:
        raise KeyProblem(f"The command key {path} cannot be rotated: {error.strerror}.") from error
    return key, kept


def kept_keys(folder: Path) -> list[Path]:
    """Return the files of earlier keys, oldest first."""
    return sorted(folder.glob(f"{KEY_FILE}.[0-9]*"))


def fingerprint(key: bytes) -> str:
    """Return a short name of a key that tells nothing about it: first 8 bytes of SHA-256, in groups of four digits."""
    digest = hashlib.sha256(b"blockhouse key fingerprint" + key).hexdigest()[:16]
    return "-".join(digest[i : i + 4] for i in range(0, 16, 4))


def export_key(path: Path, key: bytes) -> None:
    """Write the key as a C array into a new file of mode 0600; raises KeyProblem (also when the file exists)."""
    numbers = ", ".join(f"0x{byte:02x}" for byte in key)
    text = (
        f"/* Blockhouse command key {fingerprint(key)}: secret. */\n"
        f"static const unsigned char blockhouse_key[{len(key)}] = {{ {numbers} }};\n"
    )
    try:
        _write_new(path, text.encode("ascii"))
    except OSError as error:
        raise KeyProblem(f"The key cannot be written to {path}: {error.strerror}.") from error


class CounterStore:
    """The counters of one key. `take` returns a new one after it is safe on the disk; it may be called from threads.

    `folder` is where the key is, `copies` the second place. In a folder that holds no key (another thing is counted
    there) a missing counter begins at 0. Threads take turns, and so do stations on one machine that share the key (by a
    lock file, where the system has `fcntl`): a value is given out once.
    """

    def __init__(self, folder: Path, key: bytes, copies: Path | None = None) -> None:
        name = f"counter-{fingerprint(key)}"
        self._path = folder / name
        self._copies = () if copies is None or copies == folder else (copies / name,)
        self._turn = threading.Lock()  # held while the disk is written
        self._numbers = threading.Lock()  # held for a moment only, never while the disk is waited for
        self._next = 0
        self._end = -1  # the last value of our own that the file covers
        self._floor = 0  # the vehicle has seen this one

    def make_folder(self) -> None:
        """Make the folder the counter lives in."""
        self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)

    def begin(self) -> None:
        """Start the counter of a new key, in both places; raises OSError."""
        self._store(0)

    def last(self) -> int:
        """Return the highest value that may have been used, 0 when none; raises KeyProblem when nothing tells."""
        values, problems = [], []
        for path in (self._path, *self._copies):
            try:
                values.append(_read_counter(path))
            except FileNotFoundError:
                continue
            except KeyProblem as problem:
                problems.append(problem)
        highest = max(values, default=0)
        if values and highest and len(values) <= len(self._copies):
            return min(highest + GAP_AFTER_LOSS, COUNTER_MAX)
        if values:
            return highest
        if problems:
            raise problems[0]
        key = self._path.with_name(KEY_FILE)
        if key.exists():
            raise KeyProblem(f"The counter of the command key {key} is lost: no number is sure to be unused. {ROTATE}")
        return 0

    def raise_to(self, value: int) -> bool:
        """Never return `value` or less from now on, since the vehicle has seen it; tell whether that was news.

        After news call `reserve`, or there are no spares. A value that no key can have reached is not believed.
        """
        with self._numbers:
            if not max(self._next, self._floor + 1) <= value <= BELIEVED_AT_MOST:
                return False
            self._floor = value
            return True

    def reserve(self) -> None:
        """Make sure there are spares, for a disk that fails before the first command; raises KeyProblem."""
        with self._turn, self._alone():
            value = self._choose(self.last())
            self._give_back(value)
            self._cover(value - 1)

    def take(self) -> int:
        """Return a value never returned before; it is stored and synced first. Raises KeyProblem at the limit."""
        with self._turn, self._alone():
            value = self._choose(self.last())
            try:
                self._cover(value)
            except KeyProblem:
                self._give_back(value)
                raise
        return value

    def take_spare(self) -> int:
        """Return a value the file already covers, without touching the disk; raises KeyProblem when none is left."""
        with self._numbers:
            value = max(self._next, self._floor + 1)
            if self._next == 0 or value > self._end:
                raise KeyProblem("The disk gives no command counter and no spare one is left.")
            self._next = value + 1
            return value

    def _choose(self, stored: int) -> int:
        with self._numbers:
            if stored != self._end:  # first use, or another station has taken some meanwhile
                self._next, self._end = stored + 1, stored
            self._next = max(self._next, self._floor + 1)
            if self._next > COUNTER_MAX:
                raise KeyProblem("The command counter has reached its limit; make a new key.")
            self._next += 1
            return self._next - 1

    def _give_back(self, value: int) -> None:
        with self._numbers:
            if self._next == value + 1:
                self._next = value

    def _cover(self, value: int) -> None:
        end = min(value + SPARE, COUNTER_MAX)
        try:
            self._store(end)
        except OSError as error:
            raise KeyProblem(f"The command counter {self._path} cannot be stored: {error.strerror}.") from error
        self._end = end

    def _store(self, value: int) -> None:
        # The copy first: when its place is missing and cannot be made, each try must not cost a gap in the other.
        for path in (*self._copies, self._path):
            self._store_in(path, value)

    def _store_in(self, path: Path, value: int) -> None:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        temporary = path.with_suffix(".new")
        with open(temporary, "wb", opener=_private) as file:
            file.write(f"{value}\n".encode())
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
        _sync_folder(path.parent)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        if fcntl is None:
            yield
            return
        try:
            descriptor = os.open(self._path.with_suffix(".lock"), os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise KeyProblem(f"The command counter {self._path} cannot be locked: {error.strerror}.") from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            yield
        finally:
            os.close(descriptor)


def _read_counter(path: Path) -> int:
    try:
        text = path.read_text("ascii").strip()
    except FileNotFoundError:
        raise
    except (OSError, UnicodeDecodeError) as error:
        raise KeyProblem(f"The command counter {path} cannot be read.") from error
    if not text.isdigit() or len(text) > 10 or int(text) > COUNTER_MAX:
        raise KeyProblem(f"The command counter {path} is damaged: {text[:20]!r}. {ROTATE}")
    return int(text)


def _make_key(folder: Path, copies: Path | None) -> None:
    """Make a key whose counter is on the disk before the key is, and which appears whole or not at all."""
    key = secrets.token_bytes(KEY_SIZE)
    CounterStore(folder, key, copies).begin()
    with _written_aside(folder, key) as temporary, suppress(FileExistsError):
        os.link(temporary, folder / KEY_FILE)  # if another process has made a key meanwhile, that one counts
    _sync_folder(folder)


@contextmanager
def _written_aside(folder: Path, key: bytes) -> Iterator[Path]:
    temporary = folder / f"{KEY_FILE}.new-{secrets.token_hex(4)}"
    try:
        _write_new(temporary, key.hex().encode() + b"\n")
        yield temporary
    finally:
        temporary.unlink(missing_ok=True)


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def _write_new(path: Path, data: bytes) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
