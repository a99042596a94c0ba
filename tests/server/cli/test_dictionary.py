"""`blockhouse dictionary`: drafts printed or written, tables printed, exit codes."""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.dictionary_file import load_dictionary
from server.cli.cli import main
from tests.protocol.foreign_helpers import FOLDER
from tests.protocol.helpers import SANDPIPER
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
    assert "must rise in the order" in capsys.readouterr().err
