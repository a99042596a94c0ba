"""Locks between processes that run tests: files in pytest's own cache folder, let go of with the process that holds them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows: one worker, so nobody else is there
    fcntl = None  # type: ignore[assignment]

LOCKS = Path(__file__).resolve().parent.parent / ".pytest_cache"


@contextmanager
def locked(path: Path, shared: bool) -> Iterator[None]:
    """Hold a lock file, shared with others or not, until the block ends."""
    with path.open("a") as file:
        fcntl.flock(file, fcntl.LOCK_SH if shared else fcntl.LOCK_EX)
        yield
