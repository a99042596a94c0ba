"""`blockhouse live` with odd dictionaries and sheets: a sentence where it cannot, a caution where it can but may lose."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from server.cli.cli import main
from server.shelf.onboard_log import LogProblem
from server.shelf.onboard_mapping import load_mapping
from tests.browser.station import BareProcess
from tests.protocol.helpers import SANDPIPER
from tests.server.cli.test_cli import NO_PAGE, sentence_of

DIGITS = f"format = {'9' * 5000}\n"  # more digits than Python turns into a number


@pytest.mark.parametrize("option", ["--dictionary", "--sheet", "--pad-sheet"])
def test_a_number_of_thousands_of_digits_is_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, option: str
) -> None:
    monkeypatch.setenv("BLOCKHOUSE_HOME", str(tmp_path))
    path = tmp_path / "digits.toml"
    path.write_text(DIGITS)
    code = main(["live", "--port", "x", option, str(path), *NO_PAGE])
    assert "Exceeds the limit (4300 digits)" in sentence_of(code, capsys.readouterr().err)


def test_so_it_is_in_a_trial_plan_and_in_a_mapping(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BLOCKHOUSE_HOME", str(tmp_path))
    path = tmp_path / "digits.toml"
    path.write_text(DIGITS)
    code = main(["trial", str(path), "--port", "x"])
    assert "is not valid TOML" in sentence_of(code, capsys.readouterr().err)
    with pytest.raises(LogProblem, match="is no TOML file"):
        load_mapping(path)


@pytest.mark.parametrize("baud", [49, 4_000_001, 10**30])
def test_a_speed_no_port_has_is_refused_unless_another_is_given(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, baud: int
) -> None:
    """Seen: the port was "lost (signed integer is greater than maximum)", and the cable blamed, for ever."""
    monkeypatch.setenv("BLOCKHOUSE_HOME", str(tmp_path))
    path = tmp_path / "odd.toml"
    path.write_text(SANDPIPER.text.replace("modem_baud = 57600", f"modem_baud = {baud}"))
    code = main(["live", "--port", "x", "--dictionary", str(path), *NO_PAGE])
    told = sentence_of(code, capsys.readouterr().err)
    assert told == f"The dictionary's modem_baud of {baud} is no speed of a port (50 to 4000000); give another with --baud."
    assert not (tmp_path / "sessions").exists()


def test_there_is_nothing_to_allow_where_commands_are_bound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BLOCKHOUSE_HOME", str(tmp_path))
    told = sentence_of(main(["live", "--port", "loop://", "--allow-unbound", *NO_PAGE]), capsys.readouterr().err)
    assert told == "Commands to Sandpiper are bound: there is nothing for --allow-unbound to allow."


@pytest.mark.parametrize(("rate", "told"), [(200, True), (20, False)])
def test_more_than_the_modem_carries_is_a_caution_and_it_goes_on(tmp_path: Path, rate: int, told: bool) -> None:
    path = tmp_path / "odd.toml"
    path.write_text(SANDPIPER.text.replace("rate_hz = 20", f"rate_hz = {rate}", 1))
    station = BareProcess(tmp_path, "live", "--port", "socket://127.0.0.1:1", "--dictionary", str(path), *NO_PAGE)
    try:
        station.line("^Page: ")
    finally:
        lines = station.stop()
    cautions = [line for line in lines if line.startswith("Caution: the packets are more than the modem carries: ")]
    assert bool(cautions) == told, json.dumps(lines)
    assert station.process.returncode == 0 and not [line for line in lines if "Traceback" in line]
