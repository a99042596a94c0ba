"""`blockhouse disperse`: what it prints, its winds, its JSON, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from server.cli.cli import main
from tests.test_layout import ROOT

SHEET = ROOT / "server" / "design" / "sheets" / "sandpiper.toml"
CALM = ROOT / "replay_samples" / "calm.pcapng"


def test_it_prints_sentences_numbers_and_landings(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["disperse", "--sheet", str(SHEET), "--flights", "200", "--units", "metric"]) == 0
    out = capsys.readouterr().out
    for words in (
        "Sandpiper: 200 flights drawn", "Apogee 2", "A region is no keep-out", "under control", "outside the field",
        "nothing opens", "One sigma of each", "the site's sheet",
    ):  # fmt: skip
        assert words in out


def test_a_session_gives_its_drag_and_its_wind(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["disperse", str(CALM), "--sheet", str(SHEET), "--flights", "200", "--wind-of-flight", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["sources"]["wind"] == "the recorded flight's drift under canopy"
    assert told["sources"]["drag"].startswith("measured in this session's coast")
    assert told["doubts"]["drag"] == "6 %"
    assert told["numbers"]["apogee_m"]["low"] < 268.0 < told["numbers"]["apogee_m"]["high"]


def test_a_sounding_is_the_wind(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wind = tmp_path / "wind.csv"
    wind.write_text("height_m,speed_m_s,from_deg\n2,3,180\n300,9,180\n", "utf-8")
    assert main(["disperse", "--flights", "200", "--wind", str(wind), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["sources"]["wind"] == "the sounding"
    nominal = told["cases"][0]["band"]
    assert 270.0 < nominal["from_deg"] < 360.0 and nominal["far_m"] > 300.0  # carried north


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--wind", "none.csv"], "none.csv: No such file"),
        (["--wind", str(SHEET)], "first line must be height_m,speed_m_s,from_deg"),
        (["--wind", str(SHEET), "--wind-of-flight"], "two winds"),
        (["--wind-of-flight"], "tells no wind"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["disperse", *arguments]) == 1
    assert words in capsys.readouterr().err
