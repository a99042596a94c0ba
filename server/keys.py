"""The command key and the counter that is never used twice.

Both live in one folder of the user's configuration, outside every session. The key is 32 random bytes in a file of mode
0600; it is never shown, logged, recorded or sent, only its fingerprint is. The counter of each key is a small file that
is replaced and synced *before* a new value is used, so that no crash can bring a value back.

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
from contextlib import contextmanager
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows: one station per key is then up to the person
    fcntl = None

from protocol.commands import COUNTER_MAX, KEY_SIZE

KEY_FILE = "command.key"
SPARE = 8


class KeyProblem(Exception):
    """The key or its counter cannot be used; the text is one plain sentence."""


def load_or_make_key(folder: Path) -> bytes:
    """Return the key in `folder`, made on first use with mode 0600; raises KeyProblem."""
    path = folder / KEY_FILE
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not path.exists():
            _write_new(path, secrets.token_bytes(KEY_SIZE).hex().encode() + b"\n")
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

    Threads take turns, and so do stations on one machine that share the key (by a lock file, where the system has
    `fcntl`): a value is given out once.
    """

    def __init__(self, folder: Path, key: bytes) -> None:
        self._path = folder / f"counter-{fingerprint(key)}"
        self._turn = threading.Lock()  # held while the disk is written
        self._numbers = threading.Lock()  # held for a moment only, never while the disk is waited for
        self._next = 0
        self._end = -1  # the last value of our own that the file covers

    def make_folder(self) -> None:
        """Make the folder the counter lives in."""
        self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)

    def last(self) -> int:
        """Return the highest value that may have been used, 0 when none; raises KeyProblem for a senseless file."""
        try:
            text = self._path.read_text("ascii").strip()
        except FileNotFoundError:
            return 0
        except (OSError, UnicodeDecodeError) as error:
            raise KeyProblem(f"The command counter {self._path} cannot be read.") from error
        if not text.isdigit() or len(text) > 10 or int(text) > COUNTER_MAX:
            raise KeyProblem(f"The command counter {self._path} is damaged: {text[:20]!r}. Make a new key.")
        return int(text)

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
            if not 0 < self._next <= self._end:
                raise KeyProblem("The disk gives no command counter and no spare one is left.")
            self._next += 1
            return self._next - 1

    def _choose(self, stored: int) -> int:
        with self._numbers:
            if stored != self._end:  # first use, or another station has taken some meanwhile
                self._next, self._end = stored + 1, stored
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
        temporary = self._path.with_suffix(".new")
        with open(temporary, "wb", opener=_private) as file:
            file.write(f"{value}\n".encode())
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, self._path)
        _sync_folder(self._path.parent)

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
