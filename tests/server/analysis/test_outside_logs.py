"""Logs of invented vehicles as a newcomer has them: drafted and flown (row 16); the table heads test_outside_rows.py."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from protocol.dictionary_file import parse_dictionary
from server.analysis.pipeline import recorded_output
from server.cli.cli import main
from server.recording.records import Kind, Record
from tests.accuracy.ensemble.motion import G
from tests.server.analysis.outside import flown, forces, pressures
from tests.server.analysis.test_pipeline import ORIGIN_NS

RATE_HZ = 20.0
EVERY = 5  # of the simulator's samples


def columns() -> dict[str, np.ndarray]:
    """Return what a logger could have written, by quantity and unit."""
    flight = flown()
    pascals, felt = pressures(flight), forces(flight)
    rows = slice(None, None, EVERY)
    kelvin = 288.15 - 0.0065 * flight.up_m
    values = {
        **{"s": flight.t, "ms": 1e3 * flight.t, "us": 1e6 * flight.t, "m": flight.up_m, "ft": flight.up_m / 0.3048},
        **{"hPa": pascals / 100.0, "Pa": pascals, "g": felt[:, 2] / G, "m/s2": felt[:, 2], "degC": kelvin - 273.15},
        **{"x g": felt[:, 0] / G, "y g": felt[:, 1] / G, "V": 3.9 - 0.0002 * flight.t, "msl m": flight.up_m + 212.0},
    }
    return {name: column[rows] for name, column in values.items()}


# Header, separator, (column, format) of each: shapes of our own, by nobody's logger.
SHAPES = {
    "plain words and units": (
        "Time (ms),Pressure (hPa),Temperature (degC),Acceleration Z (g)",
        ",",
        (("ms", "%.0f"), ("hPa", "%.2f"), ("degC", "%.1f"), ("g", "%.3f")),
    ),
    "feet and semicolons": (
        "Elapsed time [s];Height [ft];Axial acceleration [g];Battery [V]",
        ";",
        (("s", "%.3f"), ("ft", "%.1f"), ("g", "%.3f"), ("V", "%.2f")),
    ),
    "short names without units": (
        "t_us,ax,ay,az,alt,baro",
        ",",
        (("us", "%.0f"), ("x g", "%.3f"), ("y g", "%.3f"), ("g", "%.3f"), ("msl m", "%.2f"), ("Pa", "%.0f")),
    ),
}


def written(path: Path, header: str, separator: str, wanted: tuple[tuple[str, str], ...]) -> Path:
    """Write a log of some columns."""
    given = columns()
    rows = zip(*(given[name].tolist() for name, _ in wanted), strict=True)
    lines = [separator.join(form % value for (_, form), value in zip(wanted, row, strict=True)) for row in rows]
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("shape", SHAPES)
def test_a_log_given_to_dictionary_new_is_a_flight_that_is_judged(shape: str, tmp_path: Path) -> None:
    """Seen: of 18 logs time was found in 3, a role in 2, a flight judged in none."""
    flight, path = flown(), written(tmp_path / "flight.csv", *SHAPES[shape])
    assert main(["dictionary", "new", "--from-csv", str(path), "--out", str(tmp_path / "draft.toml")]) == 0
    dictionary = parse_dictionary((tmp_path / "draft.toml").read_text(encoding="utf-8"))
    lines = path.read_text(encoding="utf-8").splitlines()[1:]
    records = [
        Record(Kind.RECEIVED, i, ORIGIN_NS + round(1e9 * i / RATE_HZ), f"{line}\n".encode()) for i, line in enumerate(lines)
    ]
    output = recorded_output(dictionary, records, ORIGIN_NS)
    moments = {entry.key: entry.body for entry in output.entries if entry.topic == "moment"}
    assert {"lift_off", "burnout", "apogee", "landing"} <= set(moments), dictionary.text
    assert moments["apogee"]["height_m"] == pytest.approx(flight.moments["apogee"], rel=0.01)
    for key, name, within_s in (("lift_off", "lift_off", 0.05), ("burnout", "burnout", 0.1), ("landing", "landing", 1.0)):
        assert moments[key]["t"] - flight.moments[name] == pytest.approx(0.0, abs=within_s), key
