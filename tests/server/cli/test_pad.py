"""`blockhouse padsheet` on sheets and on recordings."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.cli.cli import main
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from tests.browser.station import ROOT
from tests.server.pad.pad_world import BATTERY, DICTIONARY, KEY_OUT, sheet_toml
from tests.server.pad.test_record import journal
from tests.server.recording.sessions import fixed_entropy, header_for


def test_a_sheet_is_checked_and_printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = tmp_path / "mine.toml"
    sheet.write_text(sheet_toml(BATTERY, KEY_OUT), "utf-8")
    assert main(["padsheet", str(sheet)]) == 0
    printed = capsys.readouterr().out
    assert "Not filled in: 2 unknown, 1 open of 3." in printed and "The range safety officer decides." in printed


def test_a_wrong_sheet_is_refused_in_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = tmp_path / "mine.toml"
    sheet.write_text(sheet_toml(BATTERY.replace("battery.voltage", "battery.volts")), "utf-8")
    assert main(["padsheet", str(sheet)]) == 1
    assert capsys.readouterr().err == (
        "blockhouse: mine.toml: [group[0].item[0].role] the dictionary has no role 'battery.volts'\n"
    )
    assert main(["padsheet", str(tmp_path / "none.toml")]) == 1
    assert "cannot be read" in capsys.readouterr().err


def test_a_sheet_is_checked_against_the_dictionary_given(capsys: pytest.CaptureFixture[str]) -> None:
    own = ROOT / "server" / "pad" / "sheets" / "sandpiper-pad.toml"
    assert main(["padsheet", str(own), "--dictionary", str(ROOT / "protocol" / "wren.toml")]) == 1
    assert "the dictionary has no role" in capsys.readouterr().err


def test_a_session_without_a_sheet_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["padsheet", str(ROOT / "replay_samples" / "calm.pcapng")]) == 1
    assert capsys.readouterr().out == "No pad sheet was shown in calm.pcapng.\n"


def test_a_session_prints_its_sheet_with_vehicle_site_and_day(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    clock = FakeClock()
    header = header_for(clock, dictionary=DICTIONARY.text, entropy=fixed_entropy)
    recorder = Recorder(tmp_path, "one", header, clock=clock)
    for entry in journal():
        recorder.append(Kind.NOTE, clock.monotonic_ns(), {"topic": entry.topic, "key": entry.key, "body": dict(entry.body)})
    assert main(["padsheet", str(recorder.close(5.0))]) == 0
    printed = capsys.readouterr().out
    assert "Vehicle: Sandpiper, Site: Mossbank Field, Date: 20" in printed and "Session: one" in printed
    assert "As it stood at lift-off: 1 not met, 1 open of 4." in printed
