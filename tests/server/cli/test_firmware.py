"""`blockhouse firmware`: files written and named, problems in one sentence."""

from __future__ import annotations

import shlex
import subprocess
from pathlib import Path

import pytest

from server.cli.cli import main
from tests.protocol.helpers import SMALL_TEXT
from tests.server.firmware.build import SANDPIPER_2
from tests.server.firmware.wire2 import wire2_text


@pytest.fixture
def mine(tmp_path: Path) -> list[str]:
    """The command for the Sandpiper on wire version 2."""
    file = tmp_path / "mine.toml"
    file.write_text(SANDPIPER_2.text)
    return ["firmware", "--dictionary", str(file)]


def test_it_writes_the_files_and_prints_their_names(
    tmp_path: Path, mine: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*mine, "--out", str(tmp_path / "out")]) == 0
    *names, last = capsys.readouterr().out.splitlines()
    assert {Path(name).name for name in names} >= {"blockhouse.h", "bh_link.c", "bh_dictionary.h", "bh_host.c", "out.ino"}
    assert all(Path(name).is_file() for name in names)
    assert last == f"dictionary hash 0x{SANDPIPER_2.hash32:08X}"


def test_a_sketch_that_is_there_is_kept_and_said_so(
    tmp_path: Path, mine: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main([*mine, "--out", str(out)]) == 0
    (out / "out.ino").write_text("my own loop")
    capsys.readouterr()
    assert main([*mine, "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert f"{out / 'out.ino'} is there already and stays as it is" in said
    assert (out / "out.ino").read_text() == "my own loop"


def test_a_folder_no_sketch_builder_opens_is_one_sentence(
    tmp_path: Path, mine: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*mine, "--out", str(tmp_path / "my rocket")]) == 1
    assert "cannot be called 'my rocket': a sketch is called like its folder" in capsys.readouterr().err
    assert not (tmp_path / "my rocket").exists()


def test_a_dictionary_it_cannot_be_made_for_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(wire2_text(SMALL_TEXT.replace("packet.answer", "packet.reply")))
    assert main(["firmware", "--dictionary", str(file), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().err
    assert said == "blockhouse: small has commands but no packet 'answer' to answer them with.\n"
    assert not (tmp_path / "out").exists()


def test_a_dictionary_of_wire_1_is_told_in_one_sentence_how_it_moves(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(SMALL_TEXT)
    assert main(["firmware", "--dictionary", str(file), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().err
    assert said.startswith("blockhouse: small is of wire version 1, the firmware speaks version 2: write wire = 2 under")
    assert said.count("\n") == 1 and not (tmp_path / "out").exists()


def test_the_flight_example_comes_with_commands_that_compile_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert main(["firmware", "--flight-example", "--out", str(out)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert str(out / "flight" / "fc_main.c") in said and str(out / "flight" / "fc_board_qemu.ld") in said
    commands = [line.partition(": ")[2] for line in said if line.startswith("  for ")]
    assert len(commands) == 2
    for command in commands:
        subprocess.run(shlex.split(command), cwd=out, check=True)
    assert (out / "fc_host").is_file() and (out / "fc_board.elf").is_file()


def test_the_flight_example_of_another_vehicle_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(wire2_text(SMALL_TEXT))
    assert main(["firmware", "--dictionary", str(file), "--flight-example", "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr().err
    assert said == "blockhouse: The example flight computer is the Sandpiper's; it knows no packets of small.\n"
    assert not (tmp_path / "out").exists()
