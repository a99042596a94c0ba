"""The map is true: its length, the folders it names, and a stranger's ten tasks, each ending in the folder it names."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
TEXT = (ROOT / "DEVELOPERS.md").read_text("utf-8")
AT_MOST_LINES = 160

# What a stranger searches for when given the task, as a regular expression over the code, and the folder that must hold
# every place where it is defined.
SEARCHES: dict[str, tuple[str, str]] = {
    "add a limit to a channel": (r"^limits = |^warning_high|caution_high *=", "protocol/"),
    "change the confirm window": (r"^CONFIRM_(EARLIEST|LATEST)_S = ", "server/uplink/"),
    "add a finding": (r"^class Finding\b|^LIMIT_TILT_DEG = ", "server/analysis/"),
    "follow a new sensor live": (r"^class (Motion|Power|Height|Saturation)Tracker\b", "server/analysis/trackers/"),
    "correct the formula for height": (r"^def height_above_pad_m|^class PadAltitude|^def pressure_pa", "server/flight/air/"),
    "add a key to the vehicle's sheet": (r"^class SheetNumbers\b", "server/design/"),
    "add a column to the CSV export": (r"^def (export|write)_csv|^def csv_", "server/review/"),
    "refuse another kind of stranger": (r"^class Gatekeeper\b", "server/http/"),
    "add a panel to the page": (r"^export (class|function) (Recovery|Compare|Findings|Fin)Panel\b", "web/panels/"),
    "add a fault to the simulated vehicle": (r"^SCENARIO = ", "server/twin/scenarios/"),
}


def tasks() -> dict[str, str]:
    """Return the tasks of the map and the folder each names."""
    table = TEXT.split("## Ten tasks")[1].split("##")[0]
    return {task.strip(): folder for task, folder in re.findall(r"^\| ([a-z][^|]+)\| `([^`]+/)`", table, flags=re.M)}


def test_it_is_a_map_and_no_diary() -> None:
    assert len(TEXT.splitlines()) <= AT_MOST_LINES


def test_there_are_ten_tasks_and_their_folders() -> None:
    assert len(tasks()) == 10
    assert [folder for folder in tasks().values() if not (ROOT / folder).is_dir()] == []


@pytest.mark.parametrize("beginning", SEARCHES)
def test_a_stranger_ends_in_the_folder_the_map_names(beginning: str) -> None:
    pattern, expected = SEARCHES[beginning]
    (named,) = [folder for task, folder in tasks().items() if task.startswith(beginning)]
    assert named == expected
    command = ["git", "grep", "-l", "-E", pattern, "--", "protocol", "server", "web"]
    found = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False).stdout.split()
    assert found and [file for file in found if not file.startswith(expected)] == []


def test_what_it_names_in_code_letters_exists() -> None:
    """Paths and modules in the map, so that a move that forgets it is noticed."""
    paths = re.findall(r"`((?:server|web|protocol|tests)/[\w./]+)`", TEXT)
    assert paths and [name for name in paths if not (ROOT / name).exists()] == []
    modules = re.findall(r"`((?:bridge|live|recording|analysis|telemetry|uplink|http|review)\.(?!py\b)\w+)", TEXT)
    places = [ROOT / "server" / Path(*name.split(".")) for name in modules]
    assert modules and [str(place) for place in places if not (place.with_suffix(".py").exists() or place.is_dir())] == []
