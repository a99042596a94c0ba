"""What people read: never wider than their terminal, plain where it is piped, color only where it is wanted."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from server.cli.paper import ACT, Table, Words, plain_lines
from server.review.review import open_review
from server.review.summary import summarize
from tests.browser.station import ROOT
from tests.terminal_pictures import COMMANDS, ESCAPES, SAMPLES, environment, on_terminal, plain, vehicle

pytestmark = pytest.mark.terminal
# Names that have no other: packets of the builder's own dictionary, components of a state vector.
STATE = {"imu_a", "imu_b", "q_w", "q_x", "q_y", "q_z", "rate_x", "rate_y", "rate_z"}
GUSTY = str(SAMPLES / "gusty-bad-number.pcapng")


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with vehicle(tmp_path_factory.mktemp("twin")) as found:
        yield found


def piped(home: Path, *arguments: str, **more: str) -> subprocess.CompletedProcess[str]:
    """Run a command into a pipe."""
    command = [sys.executable, "-m", "server", *arguments]
    return subprocess.run(
        command, cwd=ROOT, env=environment(home, more), capture_output=True, encoding="utf-8", timeout=60, check=False
    )


@pytest.mark.parametrize("name", COMMANDS)
def test_no_line_is_wider_than_the_terminal(tmp_path: Path, port: str, name: str) -> None:
    arguments = [part.format(port=port) for part in COMMANDS[name]]
    widest = {}
    for columns in (60, 80, 120):
        lines = plain(on_terminal(tmp_path, columns, *arguments)).split("\n")
        widest[columns] = max(map(len, lines))
        assert widest[columns] <= columns, [line for line in lines if len(line) > columns]
        text = "\n".join(lines)
        assert "Traceback" not in text and text.strip()
        keys = set(re.findall(r"[a-z]+(?:_[a-z0-9]+)+", re.sub(r"\S*/\S*", "", text)))
        assert keys <= STATE, "no internal key's name"
    print(f"{name}: widest lines {widest}")


@pytest.mark.parametrize("name", COMMANDS)
def test_a_pipe_gets_plain_lines_whole_sentences_and_no_color(tmp_path: Path, port: str, name: str) -> None:
    arguments = [part.format(port=port) for part in COMMANDS[name]]
    told = piped(tmp_path, *arguments, COLUMNS="40") if arguments else piped(tmp_path)
    assert "\x1b" not in told.stdout and not re.search("[\u2500-\u257f]", told.stdout), "no escapes, no boxes"
    assert not [line for line in told.stdout.split("\n") if line != line.rstrip()], "nothing is filled up to a width"
    if name == "summary":
        summary = summarize(open_review(Path(GUSTY)))
        lines = told.stdout.split("\n")
        for finding in summary["findings"]:
            assert any(str(finding["advice"]) in line for line in lines), "a sentence stands whole in one line"


def test_columns_says_how_wide_where_it_is_set(tmp_path: Path) -> None:
    lines = plain(on_terminal(tmp_path, 120, "summary", GUSTY, COLUMNS="50")).split("\n")
    assert 40 < max(map(len, lines)) <= 50
    lines = plain(on_terminal(tmp_path, 0, "summary", GUSTY)).split("\n")
    assert 70 < max(map(len, lines)) <= 80, "a terminal that does not know its size has 80 columns"


def test_color_is_for_a_terminal_that_wants_it(tmp_path: Path) -> None:
    color = re.compile(r"\x1b\[[0-9;]*3[0-7]m")
    assert color.search(on_terminal(tmp_path, 80, "summary", GUSTY)), "a warning stands out"
    for how in ({"NO_COLOR": "1"}, {"TERM": "dumb"}):
        assert not ESCAPES.search(on_terminal(tmp_path, 80, "summary", GUSTY, **how)), how
    assert color.search(on_terminal(tmp_path, 80, "summary", GUSTY, NO_COLOR="")), "set but empty wishes nothing"


def test_units_are_the_persons_and_json_stays_si(tmp_path: Path) -> None:
    metric = piped(tmp_path, "summary", GUSTY).stdout
    apogee = summarize(open_review(Path(GUSTY)))["apogee"]
    feet = round(apogee["height_m"] / 0.3048)
    asked = piped(tmp_path, "summary", GUSTY, "--units", "imperial").stdout
    assert re.search(rf"apogee at {feet} \S \d+ ft", asked) and " mph" in asked and " ft" not in metric
    (tmp_path / "settings.toml").write_text('[person]\nunits = "imperial"\n')
    assert piped(tmp_path, "summary", GUSTY).stdout == asked
    assert piped(tmp_path, "summary", GUSTY, "--units", "metric").stdout == metric
    told = json.loads(piped(tmp_path, "summary", GUSTY, "--json").stdout)
    assert told["apogee"]["height_m"] == apogee["height_m"], "what programs read stays SI"
    (tmp_path / "settings.toml").write_text('[person]\nunits = "cubits"\n')
    wrong = piped(tmp_path, "summary", GUSTY)
    assert wrong.returncode == 1 and "[person] units is metric or imperial" in wrong.stderr and wrong.stderr.count("\n") == 1


def test_whatever_a_recording_holds_steers_no_terminal_and_no_row_is_lost() -> None:
    blocks = [Words("a\x1b[2Jb\nc"), Table([("x", "\x07y"), ("longer", "z")], styles={0: ACT}, indent=2)]
    assert list(plain_lines(blocks)) == ["a?[2Jb?c", "  x       ?y", "  longer  z"]


def test_an_old_code_page_gets_letters_for_signs(tmp_path: Path) -> None:
    told = piped(tmp_path, "compare", str(SAMPLES / "calm.pcapng"), GUSTY, PYTHONUTF8="0", PYTHONIOENCODING="ascii")
    assert told.returncode == 0 and "(-168.4)" in told.stdout
