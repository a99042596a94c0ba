"""Logs of any columns: read to the value, mapped by a TOML or a guess, and refused with row and column."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.shelf.onboard_log import ROWS_PER_STEP, look, read_events, read_log
from server.shelf.onboard_mapping import (
    UNITS,
    LogMapping,
    LogProblem,
    Mapped,
    guess_mapping,
    load_mapping,
    mapping_text,
    parse_mapping,
)

MAPPING = LogMapping("stamp", "ms", {"az": Mapped("accel.a.z", "g"), "h": Mapped("altitude_baro", "ft")})


def written(folder: Path, text: str, name: str = "card.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8", newline="")
    return path


def test_columns_of_any_name_in_si_units(tmp_path: Path) -> None:
    log = read_log(written(tmp_path, "stamp,az,h,state,x\n1000,1,100,pad,7\n1500,-2.5,0,boost,8e1\n"), MAPPING)
    assert log.t.tolist() == [1.0, 1.5]
    assert [(c.name, c.role, c.unit) for c in log.columns] == [
        ("az", "accel.a.z", "m/s2"), ("h", "altitude_baro", "m"), ("x", "", ""),
    ]  # fmt: skip
    assert log.columns[0].values == pytest.approx([9.80665, -24.516625], rel=1e-15)
    assert log.of_role("altitude_baro").values == pytest.approx([30.48, 0.0], rel=1e-15)
    assert log.columns[2].values.tolist() == [7.0, 80.0] and log.unread == ("state",)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_delimiters_ends_quotes_comments_and_empty_fields(tmp_path: Path, delimiter: str, end: str) -> None:
    lines = ["# a comment", "", '"time"|alt', "0|1", "", '1|"2"', "# more", "2|", "3|4"]
    log = read_log(written(tmp_path, "\ufeff" + end.join(lines).replace("|", delimiter)))
    assert log.t.tolist() == [0, 1, 2, 3]
    assert np.array_equal(log.columns[0].values, [1, 2, np.nan, 4], equal_nan=True)


def test_event_lines_among_the_numbers_and_in_a_file_of_their_own(tmp_path: Path) -> None:
    log = read_log(written(tmp_path, "t,a,b\n0.0,1,2\n0.5 apogee seen\n1.0,3,4\n[1.5] main, out\n"))
    assert log.events == ((0.5, "apogee seen"), (1.5, "main, out")) and log.t.tolist() == [0.0, 1.0]
    path = written(tmp_path, "# boot\n12 pad\n\n[ 13.5 ] boost: 3 motors\n14000,coast\n", "events.txt")
    assert read_events(path, "ms") == ((0.012, "pad"), (0.0135, "boost: 3 motors"), (14.0, "coast"))
    with pytest.raises(LogProblem, match="line 1: a time and a text are due, not 'pad at 3'"):
        read_events(written(tmp_path, "pad at 3\n", "events.txt"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no line of column names"),
        ("1,2\n3,4\n", "no line of column names before its numbers (line 1)"),
        ("just a text\n", "no line of column names"),
        ("time,alt\n", "holds no numbers"),
        ("time,alt\n0,1\n1,high\n", "line 3, column 'alt': 'high' is no number"),
        ("time,alt\n0,1\n1,1_000\n", "line 3, column 'alt': '1_000' is no number"),
        ("time;alt\n0;1,5\n", "line 2, column 'alt': '1,5' is no number"),
        ("time,alt\n0,1\n1,2,3\n", "line 3: 3 fields where 2 columns are named"),
        ("time,alt\n0,1\n1\n", "line 3: 1 fields where 2"),
        ("time,alt\n0,1\n,2\n", "the time is missing in row 2"),
        ("time,alt\n0,1\n5,1\n4.5,2\n", "goes back from 5.000 s to 4.500 s in row 3"),
        ("alt,x\n0,1\n", "no column that looks like a time"),
        ("time,alt,alt\n0,1,2\n", "two columns named 'alt'"),
        ("time," + ",".join(f"c{i}" for i in range(500)) + "\n", "501 columns; at most 400"),
        ("x" * 30_000, "longer than 20000 characters"),
    ],
)
def test_what_cannot_be_read_is_refused_with_its_place(tmp_path: Path, text: str, words: str) -> None:
    mapping = LogMapping("time", "s", {"alt": Mapped("altitude_baro", "m")}) if "time" in text[:9] else None
    with pytest.raises(LogProblem) as raised:
        read_log(written(tmp_path, text), mapping)
    assert words in str(raised.value) and str(raised.value).startswith("card.csv")


def test_a_wrong_number_far_down_is_found(tmp_path: Path) -> None:
    lines = ["time,alt", *[f"{i},{i}" for i in range(ROWS_PER_STEP + 10)]]
    lines[ROWS_PER_STEP + 5] = f"{ROWS_PER_STEP + 4},zz"
    with pytest.raises(LogProblem, match=f"line {ROWS_PER_STEP + 6}, column 'alt': 'zz'"):
        read_log(written(tmp_path, "\n".join(lines)))


def test_files_that_are_no_texts(tmp_path: Path) -> None:
    (tmp_path / "card.csv").write_bytes(b"time,alt\n0,1\n\xff\xfe\x00")
    with pytest.raises(LogProblem, match="no text in UTF-8"):
        read_log(tmp_path / "card.csv")
    with pytest.raises(LogProblem, match="cannot be read"):
        read_log(tmp_path / "none.csv")


def test_progress_is_told(tmp_path: Path) -> None:
    said: list[str] = []
    read_log(written(tmp_path, "time,alt\n" + "\n".join(f"{i},1" for i in range(2 * ROWS_PER_STEP + 1))), None, said.append)
    assert said == [f"card.csv: {1 + n} lines" for n in (ROWS_PER_STEP, 2 * ROWS_PER_STEP, 2 * ROWS_PER_STEP + 1)]


# ---------------------------------------------------------------- mappings


def test_a_mapping_file(tmp_path: Path) -> None:
    path = written(tmp_path, mapping_text(MAPPING), "map.toml")
    assert load_mapping(path) == MAPPING == parse_mapping(MAPPING.as_dict())


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30))
def test_any_column_name_survives_its_toml(name: str) -> None:
    mapping = LogMapping(name, "us", {name: Mapped("pressure", "hPa")})
    assert parse_mapping(tomllib.loads(mapping_text(mapping))) == mapping


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "needs a table [time]"),
        ("[time]\nunit='s'", "needs a table [time]"),
        ("[time]\ncolumn='t'\nunit='m'", "The time cannot be in m"),
        ("[time]\ncolumn='t'\nunit='fortnight'", "The unit 'fortnight' of the time is not known"),
        ("[time]\ncolumn='t'\n[columns]\na=3", "'a' needs a role and a unit"),
        ("[time]\ncolumn='t'\n[columns.a]\nrole='pressure'\n[columns.b]\nrole='pressure'", "role pressure to more than one"),
        ("[time]\ncolumn='t'\n[columns.a]\nrole='x'\nunit='furlong'", "'furlong' of column 'a' is not known"),
        ("[time", "is no TOML file"),
    ],
)
def test_a_mapping_that_cannot_be_used_is_said(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(LogProblem) as raised:
        load_mapping(written(tmp_path, text, "map.toml"))
    assert words in str(raised.value)


def test_a_mapping_of_columns_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(LogProblem, match="no column named 'stamp'; it has time, alt"):
        read_log(written(tmp_path, "time,alt\n0,1\n"), MAPPING)


@pytest.mark.parametrize(
    ("names", "time", "roles"),
    [
        (["time", "alt", "accel_z"], ("time", "s"), {"alt": ("altitude_baro", "m"), "accel_z": ("accel.a.z", "m/s2")}),
        (["Time [ms]", "ax", "ay", "az"], ("Time [ms]", "ms"),
         {"ax": ("accel.a.x", "m/s2"), "ay": ("accel.a.y", "m/s2"), "az": ("accel.a.z", "m/s2")}),
        (["time_us", "AccelZ (g)", "Gyro X [deg/s]", "Pressure (hPa)"], ("time_us", "us"),
         {"AccelZ (g)": ("accel.a.z", "g"), "Gyro X [deg/s]": ("gyro.a.x", "deg/s"), "Pressure (hPa)": ("pressure", "hPa")}),
        (["millis", "altitude_ft", "vbat", "gx"], ("millis", "ms"),
         {"altitude_ft": ("altitude_baro", "ft"), "vbat": ("battery.voltage", "V"), "gx": ("gyro.a.x", "rad/s")}),
        (["t", "alt", "height", "q_w", "vel_up"], ("t", "s"),
         {"alt": ("altitude_baro", "m"), "q_w": ("attitude_quaternion.w", ""), "vel_up": ("velocity.up", "m/s")}),
        (["Timestamp", "accel_b_z", "rate_z", "east", "note"], ("Timestamp", "s"),
         {"accel_b_z": ("accel.b.z", "m/s2"), "rate_z": ("body_rate.z", "rad/s"), "east": ("position.east", "m")}),
    ],
)  # fmt: skip
def test_common_words_are_guessed(names: list[str], time: tuple[str, str], roles: dict[str, tuple[str, str]]) -> None:
    guess = guess_mapping(names)
    assert guess is not None and (guess.time, guess.time_unit) == time
    assert {name: (one.role, one.unit) for name, one in guess.columns.items()} == roles


def test_no_time_no_guess() -> None:
    assert guess_mapping(["alt", "pressure"]) is None


def test_units_are_si_brochure_factors() -> None:
    """NIST SP 811 (2008), appendix B: 1 ft = 0.3048 m, 1 bar = 1e5 Pa, g_n = 9.80665 m/s2; 0 degC = 273.15 K."""
    for unit, value, si in [("ft", 1, 0.3048), ("mbar", 1013.25, 101325), ("g", 2, 19.6133), ("degC", 20, 293.15),
                            ("mAh", 1, 3.6), ("us", 5, 5e-6), ("hPa", 10, 1000), ("deg", 180, np.pi)]:  # fmt: skip
        _, scale, offset = UNITS[unit]
        assert value * scale + offset == pytest.approx(si, rel=1e-14), unit


def test_a_look_shows_what_there_is_to_map(tmp_path: Path) -> None:
    seen = look(written(tmp_path, "# x\nstamp,alt,phase\n0,1,pad\n"))
    assert (seen.names, seen.delimiter, seen.skip, seen.numeric) == (["stamp", "alt", "phase"], ",", 2, [0, 1])
    assert seen.guess is None


def test_ts_is_a_time() -> None:
    guess = guess_mapping(["ts (ms)", "press (hPa)"])
    assert guess is not None and (guess.time, guess.time_unit) == ("ts (ms)", "ms")
