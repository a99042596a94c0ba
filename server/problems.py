"""Every failure that is one plain sentence, and plain words for the ways in which a disk refuses."""

from __future__ import annotations

import errno

from protocol.errors import Problem

__all__ = ["Problem", "SettingsProblem", "reason"]

_REASONS: dict[int, str] = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EFBIG: "the file has reached the system's size limit",
    errno.EROFS: "the disk is read-only",
    errno.EACCES: "writing there is not permitted",
    errno.EPERM: "writing there is not permitted",
    errno.EIO: "the disk reports an input/output error",
    errno.ENOENT: "the folder is gone",
    errno.EIDRM: "the file was removed",
    errno.ENOTDIR: "the folder's path leads through a file",
    errno.ENODEV: "the disk is gone",
    errno.ENXIO: "the disk is gone",
    errno.ESTALE: "the network disk is gone",
    errno.EMFILE: "too many files are open",
    errno.ENFILE: "too many files are open",
    errno.ENAMETOOLONG: "the file name is too long",
}


def reason(error: BaseException) -> str:
    """Return in a few plain words why the disk refused."""
    number = getattr(error, "errno", None)
    if number in _REASONS:
        return _REASONS[number]
    if isinstance(error, OSError):
        return f"the system says: {error.strerror or error}"
    return f"an internal fault ({type(error).__name__}: {error})"


class SettingsProblem(Problem):
    """Something asked for cannot be used; the text is one plain sentence."""
