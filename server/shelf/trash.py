"""Deleting a session without losing it: its files move into a folder beside them, and can be moved back.

Every deletion gets a folder of its own in `trash`, made new, so that nothing there is ever overwritten; nor is anything
when a session comes back. A move that fails half way is taken back; one that was cut short by a crash leaves some files
on either side, and restoring or deleting once more brings them together.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from server.problems import Problem, reason

TRASH = "trash"
_NAMES_TRIED = 1000
_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EACCES)


class TrashProblem(Problem):
    """A session cannot be moved into the trash or out of it; the text is one plain sentence."""


def throw_away(files: Sequence[Path], folder: Path, name: str) -> Path:
    """Move `files` of the session `name` into a new folder in the trash of `folder`; return it. Raises TrashProblem."""
    try:
        place = _new_place(folder / TRASH, name)
    except OSError as error:
        raise TrashProblem(f"{name} cannot be moved to the trash: {reason(error)}.") from error
    try:
        move_all(files, place)
    except OSError as error:
        with suppress(OSError):
            place.rmdir()
        raise TrashProblem(f"{name} cannot be moved to the trash: {reason(error)}.") from error
    return place


def bring_back(place: Path, folder: Path) -> None:
    """Move everything of a folder in the trash back into `folder`. Raises TrashProblem; overwrites nothing."""
    try:
        files = sorted(path for path in place.iterdir() if path.is_file())
        taken = [path.name for path in files if os.path.lexists(folder / path.name)]
        if taken:
            raise TrashProblem(f"{taken[0]} is there again; rename or delete it first, nothing was overwritten.")
        move_all(files, folder)
        with suppress(OSError):
            place.rmdir()
    except OSError as error:
        raise TrashProblem(f"{place.name} cannot be brought back: {reason(error)}.") from error


def thrown_away(folder: Path) -> list[Path]:
    """Return the folders in the trash of `folder`, by name."""
    try:
        return sorted(path for path in (folder / TRASH).iterdir() if path.is_dir() and not path.is_symlink())
    except OSError:
        return []


def move_all(files: Sequence[Path], folder: Path) -> None:
    """Move files into a folder of the same disk, all or none. Raises OSError; FileExistsError when a name is taken."""
    moved: list[tuple[Path, Path]] = []
    try:
        for path in files:
            target = folder / path.name
            _move(path, target)
            moved.append((path, target))
    except OSError:
        for path, target in reversed(moved):
            with suppress(OSError):
                _move(target, path)
        raise


def _move(source: Path, target: Path) -> None:
    """Move one file; unlike rename(2) this never replaces what is there (link(2) refuses a name that is taken)."""
    try:
        os.link(source, target, follow_symlinks=False)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        # A disk without links, such as those of memory cards: look first, and trust that nobody else is at it.
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, "the name is taken", str(target)) from error
        os.rename(source, target)
        return
    os.unlink(source)


def _new_place(trash: Path, name: str) -> Path:
    trash.mkdir(parents=True, exist_ok=True)
    for number in range(1, _NAMES_TRIED):
        place = trash / (name if number == 1 else f"{name} ({number})")
        with suppress(FileExistsError):
            place.mkdir()
            return place
    raise FileExistsError(errno.EEXIST, "too many of that name are in the trash", str(trash / name))
