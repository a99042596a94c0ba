"""`blockhouse dictionary`: drafts printed or written, tables printed, exit codes."""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.dictionary_file import load_dictionary
from protocol.roles import REGISTRY
from server.cli.cli import main
from server.review.review import open_review
from server.review.summary import summarize
from tests.protocol.foreign.foreign_helpers import FOLDER
from tests.protocol.helpers import SANDPIPER
from tests.server.logs.logged_shapes import SHAPES
from tests.server.workbench.test_dictionary_draft import LOG


def test_a_draft_is_printed_or_written_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "log.csv").write_text(LOG)
    assert main(["dictionary", "new", "--from-csv", str(tmp_path / "log.csv")]) == 0
    printed = capsys.readouterr().out
    out = ["--out", str(tmp_path / "new.toml")]
    assert main(["dictionary", "new", "--from-csv", str(tmp_path / "log.csv"), *out]) == 0
    assert (tmp_path / "new.toml").read_text() == printed
    assert load_dictionary(tmp_path / "new.toml").packets["log"].rate_hz == 20.0
    assert main(["dictionary", "new", "--from-csv", str(tmp_path / "log.csv"), *out]) == 1
    assert capsys.readouterr().err.endswith("exists already; a draft overwrites nothing.\n")


def test_a_log_is_flown_with_the_draft_and_with_what_its_owner_made_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (log,) = next(shape for shape in SHAPES if shape.name.startswith("units nowhere")).write(tmp_path)
    new, flown = tmp_path / "new.toml", tmp_path / "flown"
    assert main(["dictionary", "new", "--from-csv", str(log), "--out", str(new), "--fly", str(flown)]) == 0
    said = capsys.readouterr()
    assert "Taken for granted: column 'alt' is in ft, by its fall around the top." in said.out
    first = summarize(open_review(flown / "bare.pcapng"))
    mine = tmp_path / "mine.toml"
    mine.write_text(new.read_text().replace('unit = "ft"', 'unit = "m"'))
    assert main(["dictionary", "fly", str(mine), "--from-csv", str(log), "--out", str(tmp_path / "again")]) == 0
    second = summarize(open_review(tmp_path / "again" / "bare.pcapng"))
    assert second["apogee"]["height_m"] > 3.0 * first["apogee"]["height_m"]  # the owner's word counts
    assert main(["dictionary", "fly", str(mine), "--from-csv", str(log), "--out", str(tmp_path / "again")]) == 1
    assert "nothing is overwritten" in capsys.readouterr().err
    other = FOLDER / "wren.toml"
    assert main(["dictionary", "fly", str(other), "--from-csv", str(log), "--out", str(tmp_path / "x")]) == 1
    assert "has no packet log" in capsys.readouterr().err


def test_a_column_is_what_its_owner_says(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "log.csv").write_text("a,b,c\n0,5,1\n1,6,1\n3,7,2\n")
    given = ["--column", "a=time,ms", "--column", "b=altitude_baro,ft", "--column", "3="]
    assert (
        main(["dictionary", "new", "--from-csv", str(tmp_path / "log.csv"), "--out", str(tmp_path / "d.toml"), *given]) == 0
    )
    packet = load_dictionary(tmp_path / "d.toml").packets["log"]
    assert (packet.time, packet.channel("b").role, packet.channel("b").wire_unit) == ("a", "altitude_baro", "ft")
    assert packet.channel("c").role is None
    assert main(["dictionary", "new", "--from-csv", str(tmp_path / "log.csv"), "--column", "b=x,cubits"]) == 1
    assert "cubits" in capsys.readouterr().err


def test_the_budget_of_the_sandpiper(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dictionary", "check", str(FOLDER / "sandpiper.toml")]) == 0
    said = capsys.readouterr().out
    assert f"hash {SANDPIPER.hash32:08x}" in said and "% of the modem's 5760" in said


def test_a_fault_is_the_exit_code_and_a_mistake_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    slow = tmp_path / "slow.toml"
    slow.write_text(SANDPIPER.text.replace("modem_baud = 57600", "modem_baud = 4800"))
    assert main(["dictionary", "check", str(slow)]) == 1
    assert "FAULT: rates: more than the modem carries" in capsys.readouterr().out
    slow.write_text(SANDPIPER.text.replace("warning_low = 6.6, caution_low = 7.0", "warning_low = 7.6, caution_low = 7.0"))
    assert main(["dictionary", "check", str(slow)]) == 1
    line = 1 + next(i for i, line in enumerate(slow.read_text().splitlines()) if "warning_low = 7.6" in line)
    said = capsys.readouterr().err
    assert f"slow.toml line {line}: [" in said and "must rise in the order" in said


def test_a_finding_is_told_with_its_table_key_and_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(SANDPIPER.text.replace('one_of = ["ground test"]', 'one_of = ["groundtest"]'))
    assert main(["dictionary", "check", str(file)]) == 1
    line = file.read_text().splitlines().index('one_of = ["groundtest"]') + 1
    told = f"FAULT: interlock.ground_test.one_of (line {line}): vehicle_phase never says 'groundtest': it says startup, "
    assert told in capsys.readouterr().out


def test_the_roles_are_listed_with_what_each_costs(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dictionary", "roles"]) == 0
    said = capsys.readouterr().out
    assert all(f"{one.pattern}\n" in said and one.without in said for one in REGISTRY)
    assert "without it: no tilt, no swing; climb after apogee from the barometer" in said
