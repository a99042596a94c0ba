"""Files that only their owner reads, and that are on the disk before anybody relies on them."""

from __future__ import annotations

import os
from pathlib import Path


def private(path: str, flags: int) -> int:
    """Open a file of mode 0600: the `opener` of `open`."""
    return os.open(path, flags, 0o600)


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet, mode 0600, and sync it with its folder; raises OSError, also when it exists."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make sure that what was made, replaced or removed in a folder is so on the disk; raises OSError."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
