"""The real disk, and the words for its refusals."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from server.problems import reason
from server.recording.storage import PosixStorage, claim
from tests.server.recording.sessions import system_error


def test_a_new_file_is_appended_to_and_never_replaced(tmp_path: Path) -> None:
    storage, path = PosixStorage(), tmp_path / "deep" / "er" / "a"
    storage.make_folder(path.parent)
    descriptor = storage.create(path)
    assert storage.write(descriptor, b"abc") == 3
    os.lseek(descriptor, 0, os.SEEK_SET)
    assert storage.write(descriptor, b"def") == 3
    storage.sync_data(descriptor)
    storage.sync_created(descriptor, path)
    storage.close(descriptor)
    assert path.read_bytes() == b"abcdef"
    with pytest.raises(FileExistsError):
        storage.create(path)
    storage.remove(path)
    assert not path.exists()


def test_one_writer_holds_the_lock_until_it_closes(tmp_path: Path) -> None:
    storage, path = PosixStorage(), tmp_path / "a"
    descriptor = storage.create(path)
    assert claim(path) is None
    storage.close(descriptor)
    lock = claim(path)
    assert lock is not None
    assert claim(path) is None
    os.close(lock)


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EFBIG, "the file has reached the system's size limit"),
        (errno.EROFS, "the disk is read-only"),
        (errno.EIO, "the disk reports an input/output error"),
        (errno.EACCES, "writing there is not permitted"),
        (errno.ENOENT, "the folder is gone"),
    ],
)
def test_refusals_have_plain_words(number: int, words: str) -> None:
    assert reason(system_error(number)) == words


def test_unforeseen_refusals_are_still_said() -> None:
    assert reason(system_error(errno.EXDEV)) == f"the system says: {os.strerror(errno.EXDEV)}"
    assert reason(RuntimeError("odd")) == "an internal fault (RuntimeError: odd)"
