"""`blockhouse configuration` and `blockhouse next`, as a person calls them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from server.cli.cli import main
from tests.server.flights import flown, recorded

SHEET = Path(__file__).resolve().parents[3] / "server" / "design" / "sheets" / "sandpiper.toml"


def test_configuration_of_a_sheet(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["configuration", str(SHEET)]) == 0
    said = capsys.readouterr().out
    lines = [" ".join(line.split()) for line in said.splitlines()]
    assert "margin, calibers 2.36 2.62" in lines and "tail fins 6.73 per rad at 1.157 m" in lines
    assert "common practice" in said and "_" not in said
    assert main(["configuration", str(SHEET), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["burnout"]["mass_kg"] == pytest.approx(1.55)


def test_next_of_a_flown_session_with_a_change(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = recorded(tmp_path, flown("calm"), "mine")
    (tmp_path / "motor.csv").write_text("time,thrust\n0,0\n0.05,160\n0.6,120\n1.0,90\n1.1,0\n")
    arguments = ["next", str(session), "--mass-g", "-80", "--station-m", "0.4", "--wind-m-s", "6", "--keep-margin"]
    assert main([*arguments, "--motor", str(tmp_path / "motor.csv")]) == 0
    said = capsys.readouterr().out
    for words in (
        "as it is",
        "changed",
        "G92",
        "G116",
        "tail fins: root ",
        "NOT MET",
        "The recorded flight itself",
        "no permission",
    ):
        assert words in said, words
    assert main([*arguments, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["changed"]["wind_m_s"] == 6.0


def test_next_of_a_sheet_alone_and_in_place_of_the_sessions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["next", str(SHEET)]) == 0
    assert "the usual coefficient" in capsys.readouterr().out
    session = recorded(tmp_path, flown("calm"), "mine")
    other = tmp_path / "other.toml"
    other.write_text(SHEET.read_text().replace("rail_length_m = 2.4", "rail_length_m = 4.0"))
    assert main(["next", str(session), "--sheet", str(other), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["as_it_is"]["rail_exit_speed_m_s"] > 21 and "measured" in told["sources"]["drag"]


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--wind-m-s", "99"], "--wind-m-s is a number from 0 to 40"),
        (["--wind-m-s", "nan"], "--wind-m-s"),
        (["--mass-g", "90000"], "does not leave the rail"),
        (["--motor", "README.md"], "thrust curve"),
    ],
)
def test_what_cannot_be_meant_is_one_sentence(more: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["next", str(SHEET), *more]) != 0
    said = capsys.readouterr()
    assert says in said.err and len(said.err.splitlines()) == 1 and said.out == ""


def test_a_sheet_that_lacks_something(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "s.toml").write_text("[vehicle]\nrail_length_m = 2.0\n")
    assert main(["next", str(tmp_path / "s.toml")]) != 0
    assert "The sheet lacks diameter_m, a thrust curve" in capsys.readouterr().err
    assert main(["configuration", str(tmp_path / "s.toml")]) != 0
    assert "what the vehicle is built of" in capsys.readouterr().err
