"""`blockhouse firmware`: files written and named, problems in one sentence."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.cli.cli import main
from tests.protocol.helpers import SANDPIPER, SMALL_TEXT


def test_it_writes_the_files_and_prints_their_names(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["firmware", "--out", str(tmp_path / "out")]) == 0
    *names, last = capsys.readouterr().out.splitlines()
    assert {Path(name).name for name in names} >= {"blockhouse.h", "bh_link.c", "bh_dictionary.h", "bh_host.c", "out.ino"}
    assert all(Path(name).is_file() for name in names)
    assert last == f"dictionary hash 0x{SANDPIPER.hash32:08X}"


def test_a_sketch_that_is_there_is_kept_and_said_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert main(["firmware", "--out", str(out)]) == 0
    (out / "out.ino").write_text("my own loop")
    capsys.readouterr()
    assert main(["firmware", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert f"{out / 'out.ino'} is there already and stays as it is" in said
    assert (out / "out.ino").read_text() == "my own loop"


def test_a_folder_no_sketch_builder_opens_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["firmware", "--out", str(tmp_path / "my rocket")]) == 1
    assert "cannot be called 'my rocket': a sketch is called like its folder" in capsys.readouterr().err
    assert not (tmp_path / "my rocket").exists()


def test_a_dictionary_it_cannot_be_made_for_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(SMALL_TEXT.replace("packet.answer", "packet.reply"))
    assert main(["firmware", "--dictionary", str(file), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().err
    assert said == "blockhouse: small has commands but no packet 'answer' to answer them with.\n"
    assert not (tmp_path / "out").exists()
