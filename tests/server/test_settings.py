"""Folders, sheets, and where the page's files are."""

from __future__ import annotations

import json
import math
import re
from hashlib import sha256
from pathlib import Path

import pytest

from server.design.sheet_files import Sheets, load_sheets
from server.problems import SettingsProblem
from server.recording.records import encode_note
from server.settings import chart_folder, default_folders, page_folder, person_units, sample_folder, settings_file

CHART_FILES = {
    "uplot.iife.min.js": "2d27e8ad3d228164525ce213f9dc716f39b4e3aee0cc773fb3491c96cf4921a2",
    "uplot.min.css": "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
}


def sheet(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "mine.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def problem(path: Path) -> str:
    with pytest.raises(SettingsProblem) as caught:
        load_sheets(path, False)
    text = str(caught.value)
    assert "\n" not in text.rstrip(".") or path.name in text
    return text


def test_everything_below_one_folder_when_asked_for(tmp_path: Path) -> None:
    environment = {"BLOCKHOUSE_HOME": str(tmp_path)}
    assert default_folders(environment) == (tmp_path / "sessions", tmp_path / "keys")


@pytest.mark.parametrize("environment", [{}, {"BLOCKHOUSE_HOME": ""}])
def test_otherwise_where_the_system_keeps_such_things(environment: dict[str, str]) -> None:
    sessions, keys = default_folders(environment)
    assert sessions.is_absolute() and keys.is_absolute() and sessions != keys
    assert sessions.name == "sessions" and sessions.parent.name == "blockhouse"


def test_no_sheet_for_a_real_vehicle_and_the_invented_one_for_the_demonstration() -> None:
    assert load_sheets(None, False) == Sheets({}, {})
    demo = load_sheets(None, True)
    assert (demo.vehicle["name"], demo.vehicle["invented"], demo.vehicle["simulated"]) == ("Sandpiper", True, True)
    assert (demo.site["name"], demo.site["invented"], demo.site["temperature_k"]) == ("Mossbank Field", True, 291.0)


def test_a_real_vehicle_cannot_be_taken_for_a_simulated_one(tmp_path: Path) -> None:
    path = sheet(tmp_path, '[vehicle]\nname = "Wren"\n[site]\nname = "Lower Meadow"\ntemperature_k = 285\n')
    real = load_sheets(path, False)
    assert (real.vehicle, real.site) == ({"name": "Wren"}, {"name": "Lower Meadow", "temperature_k": 285})
    assert load_sheets(path, True).vehicle["simulated"] is True


@pytest.mark.parametrize("text", ["", "# nothing\n", "[vehicle]\n"])
def test_an_empty_sheet_is_fine(tmp_path: Path, text: str) -> None:
    assert load_sheets(sheet(tmp_path, text), False) == Sheets({}, {})


@pytest.mark.parametrize("value", ["18", "0", "true", '"291"', "nan", "inf", "-291.0", "[291]", "1" + "0" * 400])
def test_a_temperature_in_the_wrong_unit_is_refused_with_an_example(tmp_path: Path, value: str) -> None:
    text = problem(sheet(tmp_path, f"[site]\ntemperature_k = {value}\n"))
    assert "kelvin" in text and "291 for 18 C" in text


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"[vehicle\n", "cannot be read"),
        (b"\xff\xfe", "cannot be read"),
        (b"vehicle = 3\n", "needs the tables"),
        (b"[[site]]\nname = 'x'\n", "needs the tables"),
        (b"a = 1\na = 2\n", "cannot be read"),
        (b"a = " + b"[" * 20_000, "cannot be read"),
    ],
)
def test_a_broken_sheet_is_one_sentence(tmp_path: Path, content: bytes, said: str) -> None:
    path = sheet(tmp_path, content)
    text = problem(path)
    assert said in text and "mine.toml" in text and text.endswith(".")


def test_a_sheet_that_is_not_there_or_a_folder(tmp_path: Path) -> None:
    assert "No such file" in problem(tmp_path / "none.toml")
    assert "directory" in problem(tmp_path).lower()


def test_dates_and_numbers_of_a_sheet_fit_a_sessions_header(tmp_path: Path) -> None:
    """The header is JSON, which has no dates and no NaN."""
    path = sheet(
        tmp_path,
        "[vehicle]\nbuilt = 2025-03-01\nweighed = [2025-03-02T10:00:00Z, { at = 11:30:00 }]\nmargin = nan\n"
        '[site]\nnote = "\u03b4 <b>"\n',
    )
    sheets = load_sheets(path, False)
    assert sheets.vehicle["built"] == "2025-03-01"
    assert sheets.vehicle["weighed"] == ["2025-03-02T10:00:00+00:00", {"at": "11:30:00"}]
    assert math.isnan(sheets.vehicle["margin"])
    assert json.loads(encode_note({"vehicle": sheets.vehicle}))["vehicle"]["margin"] == "nan"


def test_the_installed_files_are_where_they_are_looked_for() -> None:
    assert (page_folder() / "index.html").is_file()
    assert sample_folder().name == "replay_samples"


def test_the_chart_script_is_the_published_one() -> None:
    """Script and style of uPlot 1.6.31 as its author published them: whoever carries them may change nothing in them."""
    hashes = {name: sha256((chart_folder() / name).read_bytes()).hexdigest() for name in CHART_FILES}
    assert hashes == CHART_FILES
    page = (page_folder() / "index.html").read_text("utf-8")
    assert set(re.findall(r'"/vendor/([^"]+)"', page)) == set(CHART_FILES)


def test_a_thrust_file_beside_the_sheet_is_taken_into_it(tmp_path: Path) -> None:
    demo = (package_sheet()).read_text()
    begin, end = demo.index("thrust = ["), demo.index("[site]")
    (tmp_path / "my.toml").write_text(demo[:begin] + 'thrust_file = "motor.csv"\n\n' + demo[end:])
    (tmp_path / "motor.csv").write_text("t,F\n0,0\n0.5,100\n1,0\n")
    motor = load_sheets(tmp_path / "my.toml", False).vehicle["configuration"]["motor"]
    assert motor["thrust"] == [[0.0, 0.0], [0.5, 100.0], [1.0, 0.0]] and motor["thrust_file"] == "motor.csv"
    (tmp_path / "motor.csv").write_text("nonsense")
    with pytest.raises(SettingsProblem, match="thrust file"):
        load_sheets(tmp_path / "my.toml", False)
    (tmp_path / "motor.csv").unlink()
    with pytest.raises(SettingsProblem, match="No such file"):
        load_sheets(tmp_path / "my.toml", False)


def test_a_slip_in_the_configuration_is_named(tmp_path: Path) -> None:
    (tmp_path / "my.toml").write_text(package_sheet().read_text().replace("span_m = 0.055", "spam_m = 0.055"))
    with pytest.raises(SettingsProblem, match="spam_m"):
        load_sheets(tmp_path / "my.toml", False)


def package_sheet() -> Path:
    return Path(__file__).resolve().parents[2] / "server" / "design" / "sheets" / "sandpiper.toml"


def test_a_person_chooses_units_once(tmp_path: Path) -> None:
    environment = {"BLOCKHOUSE_HOME": str(tmp_path)}
    file = settings_file(environment)
    assert file == tmp_path / "settings.toml" and person_units(environment) == "metric"
    for text, units in (("", "metric"), ("[person]\n", "metric"), ('[person]\nunits = "imperial"\n', "imperial")):
        file.write_text(text)
        assert person_units(environment) == units
    for text in ("[person\n", "[person]\nunits = 3\n", '[person]\nunits = "cubits"\n', "person = 1\n"):
        file.write_text(text)
        with pytest.raises(SettingsProblem, match="The settings .*settings.toml"):
            person_units(environment)
