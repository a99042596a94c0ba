"""Nothing is lost on the way to the trash or back: never overwritten, all files or none."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from server.shelf.trash import TRASH, TrashProblem, bring_back, throw_away, thrown_away


def files(folder: Path, *names: str) -> list[Path]:
    for name in names:
        (folder / name).write_text(f"{name} of {folder.name}")
    return [folder / name for name in names]


def content(folder: Path) -> dict[str, str]:
    return {p.relative_to(folder).as_posix(): p.read_text() for p in folder.rglob("*") if p.is_file()}


def test_there_and_back(tmp_path: Path) -> None:
    before = (files(tmp_path, "a.pcapng", "a~2.pcapng", "a.notes.json", "b.pcapng"), content(tmp_path))[1]
    place = throw_away([tmp_path / n for n in ("a.pcapng", "a~2.pcapng", "a.notes.json")], tmp_path, "a")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["b.pcapng", TRASH]
    assert thrown_away(tmp_path) == [place]
    bring_back(place, tmp_path)
    assert content(tmp_path) == before and thrown_away(tmp_path) == []


def test_the_same_name_again_overwrites_nothing(tmp_path: Path) -> None:
    for number in range(3):
        (tmp_path / "a.pcapng").write_text(str(number))
        throw_away([tmp_path / "a.pcapng"], tmp_path, "a")
    assert [(p / "a.pcapng").read_text() for p in thrown_away(tmp_path)] == ["0", "1", "2"]
    bring_back(thrown_away(tmp_path)[0], tmp_path)
    with pytest.raises(TrashProblem, match="a.pcapng is there again"):
        bring_back(thrown_away(tmp_path)[0], tmp_path)
    assert (tmp_path / "a.pcapng").read_text() == "0"


@pytest.mark.parametrize("links", [True, False])
def test_a_move_that_fails_half_way_is_taken_back(tmp_path: Path, links: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    three = files(tmp_path, "a.pcapng", "a~2.pcapng", "a~3.pcapng")
    before = content(tmp_path)
    real = os.link

    def link(source: Path, target: Path, **more: object) -> None:
        if Path(source).name == "a~3.pcapng":
            raise OSError(errno.EIO, "Input/output error")
        if not links:
            raise OSError(errno.EPERM, "Operation not permitted")
        real(source, target, **more)

    monkeypatch.setattr(os, "link", link)
    with pytest.raises(TrashProblem, match="a cannot be moved to the trash: the disk reports"):
        throw_away(three, tmp_path, "a")
    assert content(tmp_path) == before and thrown_away(tmp_path) == []


def test_a_disk_without_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def link(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", link)
    place = throw_away(files(tmp_path, "a.pcapng"), tmp_path, "a")
    bring_back(place, tmp_path)
    assert content(tmp_path) == {"a.pcapng": f"a.pcapng of {tmp_path.name}"}


def test_a_name_taken_between_look_and_move_is_not_overwritten(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = throw_away(files(tmp_path, "a.pcapng"), tmp_path, "a")
    files(tmp_path, "a.pcapng")
    monkeypatch.setattr(os.path, "lexists", lambda path: False)
    with pytest.raises(TrashProblem, match="cannot be brought back"):
        bring_back(place, tmp_path)
    assert (place / "a.pcapng").exists()


def test_a_crash_half_way_is_mended_by_doing_it_again(tmp_path: Path) -> None:
    one, two = files(tmp_path, "a.pcapng", "a~2.pcapng")
    place = tmp_path / TRASH / "a"
    place.mkdir(parents=True)
    one.rename(place / one.name)
    bring_back(place, tmp_path)
    assert one.exists() and two.exists()


def test_a_trash_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / TRASH).write_text("a file")
    with pytest.raises(TrashProblem, match="cannot be moved to the trash"):
        throw_away(files(tmp_path, "a.pcapng"), tmp_path, "a")
    assert (tmp_path / "a.pcapng").exists() and thrown_away(tmp_path) == []
