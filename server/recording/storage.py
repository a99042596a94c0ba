"""The few operations a recorder asks of a disk, and plain words for the ways in which a disk refuses them.

`Storage` is a seam: tests put a failing one in its place and let the N-th operation go wrong.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Protocol

try:
    import fcntl
except ImportError:  # Windows: O_EXCL alone keeps two writers apart, and fsync is the strongest flush there is.
    fcntl = None  # type: ignore[assignment]


class Storage(Protocol):
    """What a recorder needs; every method raises OSError when it cannot do its work."""

    def make_folder(self, folder: Path) -> None:
        """Make the folder and its parents if they are missing."""
        ...

    def create(self, path: Path) -> int:
        """Create a new file for appending and lock it; return its descriptor. FileExistsError if the name is taken."""
        ...

    def write(self, descriptor: int, data: bytes) -> int:
        """Append some of `data`; return how many bytes were taken."""
        ...

    def sync_data(self, descriptor: int) -> None:
        """Return only when everything written so far is on the disk."""
        ...

    def sync_created(self, descriptor: int, path: Path) -> None:
        """Return only when a new file, its size and its name in the folder are on the disk."""
        ...

    def close(self, descriptor: int) -> None:
        """Give the descriptor (and its lock) back."""
        ...

    def remove(self, path: Path) -> None:
        """Remove a file that never came to hold anything."""
        ...


class PosixStorage:
    """The real disk. Sources: open(2), write(2), fsync(2), flock(2), fstat(2); fcntl(2) of macOS for F_FULLFSYNC."""

    _tells_names = False  # whether this disk tells how many names a file has; some network disks say 0 of all

    def make_folder(self, folder: Path) -> None:
        """Make the folder and its parents if they are missing."""
        folder.mkdir(parents=True, exist_ok=True)

    def create(self, path: Path) -> int:
        """Create a new append-only file, mode 0644, with an exclusive lock on it."""
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        descriptor = os.open(path, flags, 0o644)
        if fcntl is not None:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                # Some network disks have no locks; O_EXCL has already made this process the only writer.
                if error.errno not in (errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL):
                    os.close(descriptor)
                    raise
        return descriptor

    def write(self, descriptor: int, data: bytes) -> int:
        """Append some of `data`; return how many bytes were taken."""
        return os.write(descriptor, data)

    def sync_data(self, descriptor: int) -> None:
        """Flush file data to the medium, through the drive's own cache where the system offers that."""
        full_sync = getattr(fcntl, "F_FULLFSYNC", None)
        if full_sync is not None:
            fcntl.fcntl(descriptor, full_sync)
        elif hasattr(os, "fdatasync"):
            os.fdatasync(descriptor)
        else:
            os.fsync(descriptor)
        if self._tells_names and os.fstat(descriptor).st_nlink == 0:
            raise OSError(errno.EIDRM, "the file was removed")  # it takes bytes as before, and they are gone with it

    def sync_created(self, descriptor: int, path: Path) -> None:
        """Flush a new file and the folder that names it."""
        self._tells_names = os.fstat(descriptor).st_nlink > 0
        os.fsync(descriptor)
        self.sync_data(descriptor)
        if os.name == "nt":  # Windows cannot open a folder for flushing.
            return
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def close(self, descriptor: int) -> None:
        """Give the descriptor (and its lock) back."""
        os.close(descriptor)

    def remove(self, path: Path) -> None:
        """Remove a file that never came to hold anything."""
        path.unlink()


def claim(path: Path) -> int | None:
    """Take the writer's lock of an existing file; return a descriptor to close later, or None if a writer holds it."""
    descriptor = os.open(path, os.O_RDONLY)
    if fcntl is not None:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(descriptor)
            return None
    return descriptor
