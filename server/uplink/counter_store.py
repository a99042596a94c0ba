"""The counter of a command key: a number that is never used twice, whatever crashes or is lost.

The counter of each key is a small file, kept in two places: beside the key, and in a second folder the caller gives, so
that lost settings do not bring old values back. Each is replaced and synced *before* a new value is used, and the higher
one counts: one that is left is at least as high as every value used.

The file holds the highest value that may have been used. It runs `SPARE` ahead, so that safe all still has a number
when the disk fails; after a restart those spares are skipped, never used.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

if sys.platform != "win32":
    import fcntl

from protocol.commands import COUNTER_MAX
from server.uplink.key_names import KEY_FILE, ROTATE, KeyProblem, fingerprint
from server.uplink.private_files import private, sync_folder

# Our choice: safe all can be asked for this often on a disk that has failed, and a restart passes over as many of 4e9.
SPARE = 256
# When one of the two places is gone, the other may be an older copy (a folder taken back from a backup): so many values
# are passed over. Far more than anybody sends between two backups, and there are 65 535 such gaps in 32 bits.
GAP_AFTER_LOSS = 1 << 16
# Telemetry carries no tag: one forged or damaged packet must not use up the numbers. No key lives through half of them.
BELIEVED_AT_MOST = COUNTER_MAX // 2


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
        self._next = 0  # the first spare; 0 before the first use
        self._end = -1  # the last spare: of our own, and covered by the file
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

    @property
    def spares(self) -> int:
        """How many values `take_spare` can return now."""
        with self._numbers:
            return max(0, self._end + 1 - max(self._next, self._floor + 1)) if self._next else 0

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

    def take_unkept(self) -> int:
        """Return a value above all that is known here, for safe all where the disk gives none: a vehicle obeys it under any.

        It is never returned again while this runs; afterwards the vehicle, which has seen it, tells (`raise_to`).
        """
        with self._numbers:
            value = min(max(self._next, self._floor + 1, self._end + 1), COUNTER_MAX)
            self._floor = max(self._floor, value)
            return value

    def _choose(self, stored: int) -> int:
        """Return the value to be stored for next, and keep it from being a spare meanwhile.

        Where the file says other than what we stored (first use, another station has taken some, or one place took ours
        and the other did not) a new stretch begins above it. Until that is stored the spares at hand stay ours: no
        station begins below what a file has covered.
        """
        with self._numbers:
            value = max(self._next, self._floor + 1, 0 if stored == self._end else stored + 1)
            if value > COUNTER_MAX:
                raise KeyProblem("The command counter has reached its limit; make a new key.")
            if value <= self._end:
                self._next = value + 1
            return value

    def _give_back(self, value: int) -> None:
        with self._numbers:
            if self._next == value + 1:
                self._next = value

    def _cover(self, value: int) -> None:
        """Store that everything up to `SPARE` above `value` may have been used; what is above `value` is then spare."""
        end = min(value + SPARE, COUNTER_MAX)
        try:
            self._store(end)
        except OSError as error:
            raise KeyProblem(f"The command counter {self._path} cannot be stored: {error.strerror}.") from error
        with self._numbers:
            self._next, self._end = max(self._next, value + 1), end

    def _store(self, value: int) -> None:
        # The copy first: when its place is missing and cannot be made, each try must not cost a gap in the other.
        for path in (*self._copies, self._path):
            self._store_in(path, value)

    def _store_in(self, path: Path, value: int) -> None:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        temporary = path.with_suffix(".new")
        with open(temporary, "wb", opener=private) as file:
            file.write(f"{value}\n".encode())
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
        sync_folder(path.parent)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        if sys.platform == "win32":  # one station per key is then up to the person
            yield
            return
        try:
            descriptor = os.open(self._path.with_suffix(".lock"), os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise KeyProblem(f"The command counter {self._path} cannot be locked: {error.strerror}.") from error
        try:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX)
            except OSError as error:
                raise KeyProblem(f"The command counter {self._path} cannot be locked: {error.strerror}.") from error
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
