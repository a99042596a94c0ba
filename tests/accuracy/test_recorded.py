"""A folder of invented logs, a simulated flight written as CSV, through the command that reads recorded flights."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from protocol.dictionary_file import parse_dictionary
from server.analysis.pipeline import recorded_output
from server.recording.records import Kind, Record
from tests.accuracy.recorded.description import BadDescription, LoggedField, read_description
from tests.accuracy.recorded.log_rows import log_samples, standard_pressure_pa, thinned
from tests.accuracy.recorded.radio import BURST_S, Logged, heard, name_of
from tests.server.flights import FACTS, dictionary, flown

ROOT = Path(__file__).resolve().parents[2]
DESCRIBED = """
format = 1

[[flight]]
name = "calm"
about = "an invented flight"
pad_until_s = {pad_until_s}
rest_from_s = {rest_from_s}
pad_s = 30.0
rest_s = 20.0
site = {{ temperature_k = {temperature_k} }}
absent = {{ landing_spot = "no receiver was aboard" }}

[[flight.packet]]
name = "imu"
file = "unit.csv"
time = "clock"
time_unit = "ms"
separator = ";"
rate_hz = 50
field = [
  {{ role = "accel.a.x", column = "side", unit = "g", noise = 0.1, walk = 0.01 }},
  {{ role = "accel.a.y", column = "other", unit = "g", noise = 0.1, walk = 0.01 }},
  {{ role = "accel.a.z", column = "tailward", factor = -1.0, unit = "g", noise = 0.1, walk = 0.01 }},
]

[[flight.packet]]
name = "barometer"
file = "air.csv"
time = "seconds"
rate_hz = 20
field = [ {{ role = "pressure", column = "millibar", unit = "hPa", noise = 2.0, walk = 1.0 }} ]

[[flight.known]]
quantity = "lift_off"
value = {liftoff_s}
source = "truth"

[[flight.known]]
quantity = "burnout"
value = {burnout_s}
source = "truth"

[[flight.known]]
quantity = "apogee"
value = {apogee_m}
source = "truth"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Logs as two unlike loggers would have written them: ms and g with the nose along minus z, s and hPa."""
    made, flight = tmp_path_factory.mktemp("logs"), flown("calm")
    records = [Record(Kind.RECEIVED, i, round(t * 1e9), chunk) for i, (t, chunk) in enumerate(flight.chunks)]
    output, roles = recorded_output(dictionary(), records, 0), dictionary().roles
    unit, air = output.rows[roles["accel.a.z"].packet], output.rows[roles["pressure"].packet]
    forces = [unit.numbers(roles[f"accel.a.{axis}"].name) / 9.80665 for axis in "xyz"]
    lines = [
        f"{t * 1e3:.1f};{x:.5f};{y:.5f};{-z:.5f}"
        for t, x, y, z in zip(unit.t.tolist(), *(force.tolist() for force in forces), strict=True)
    ]
    (made / "unit.csv").write_text("\n".join(["clock;side;other;tailward", *lines]) + "\n")
    pressures = air.numbers(roles["pressure"].name).tolist()
    rows = [f"{t:.3f},x,{pressure / 100.0:.4f}" for t, pressure in zip(air.t.tolist(), pressures, strict=True)]
    (made / "air.csv").write_text("\n".join(["seconds,note,millibar", *rows, "9999.0,x,broken"]) + "\n")
    truth = {name: float(str(flight.truth[name])) for name in ("liftoff_s", "burnout_s", "apogee_m", "landing_s")}
    spans = {"pad_until_s": truth["liftoff_s"] - 1.0, "rest_from_s": truth["landing_s"] + 3.0}
    air = {"temperature_k": FACTS.pad_temperature_k}
    (made / "recorded.toml").write_text(DESCRIBED.format(**truth, **spans, **air))
    return made


def command(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "tests.accuracy.recorded", *arguments], cwd=ROOT, capture_output=True, text=True
    )


def cells(printed: str, quantity: str) -> list[str]:
    """Return the cells of a quantity's row."""
    (row,) = [line for line in printed.splitlines() if line.startswith(f"| {quantity} |")]
    return [cell.strip() for cell in row.strip("| ").split(" | ")]


def test_the_command_prints_what_was_known_and_what_was_told(folder: Path) -> None:
    done = command(str(folder), "--seeds", "2")
    assert done.returncode == 0, done.stdout + done.stderr
    for quantity in ("lift off", "burnout", "apogee"):
        row = cells(done.stdout, quantity)
        assert (row[3], row[7], row[8]) == ("truth", "yes", "2 of 2"), row
    assert "landing spot: nothing to compare with (no receiver was aboard); told absent" in done.stdout
    assert "lost at 15 %:" in done.stdout


def test_a_promise_that_is_broken_is_said(folder: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    text = (folder / "recorded.toml").read_text()
    wrong.write_text(text.replace('quantity = "burnout"\nvalue = ', 'quantity = "burnout"\nvalue = 1'))
    done = command(str(folder), "--describe", str(wrong), "--seeds", "1", "--flight", "calm")
    assert done.returncode == 1 and cells(done.stdout, "burnout")[7] == "**no**", done.stdout


def test_the_flight_s_own_samples_are_sent_as_they_were_logged(folder: Path) -> None:
    (flight,) = read_description(folder / "recorded.toml")
    sent, barometer = Logged.read(folder, flight).sent(1), flight.packet[1]
    records = [Record(Kind.RECEIVED, i, round(t * 1e9), frame) for i, (t, frame) in enumerate(sent.frames)]
    rows = recorded_output(parse_dictionary(sent.text, "logged"), records, 0).rows["barometer"]
    logged = thinned(log_samples(folder, flight, barometer), barometer.rate_hz)
    of_log = (rows.t + sent.log_zero_s >= logged.t[0] - 1e-3) & (rows.t + sent.log_zero_s <= logged.t[-1] + 1e-3)
    assert np.abs(rows.numbers(name_of("pressure"))[of_log] - logged.values[:, 0]).max() < 0.01  # f32
    assert np.abs(rows.t[of_log] + sent.log_zero_s - logged.t).max() < 1e-3
    pad = rows.t + sent.log_zero_s < logged.t[0] - 1e-3
    assert pad.sum() == 30 * 20 and np.std(rows.numbers("pressure")[pad]) > 1.0


def test_packets_are_lost_in_bursts() -> None:
    frames = [(0.01 * i, b"") for i in range(400_000)]
    through = {round(t * 100) for t, _ in heard(frames, 0.15, np.random.default_rng(3))}
    lost = np.array([i not in through for i in range(len(frames))])
    bursts = int(((~lost[:-1]) & lost[1:]).sum())
    assert 0.13 < lost.mean() < 0.17
    assert 0.9 < lost.sum() * 0.01 / bursts / BURST_S < 1.1
    assert heard(frames, 0.0, np.random.default_rng(3)) == frames


def test_a_logged_height_goes_out_as_the_standard_pressure() -> None:
    # Published rows of the 1976 standard atmosphere (geopotential): 0, 1000 and 5000 m.
    assert standard_pressure_pa(np.array([0.0, 1000.0, 5000.0])) == pytest.approx([101325.0, 89874.6, 54019.9], rel=2e-5)
    assert LoggedField(role="pressure", column="h", unit="ft").sent_unit == "Pa"


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (("format = 1", "format = 2"), "format = 1"),
        (('unit = "hPa"', 'unit = "bar"'), "'bar'"),
        (("rate_hz = 20", "rates_hz = 20"), "'rates_hz'"),
        (('column = "millibar"', 'column = "torr"'), "'torr'"),
        (('column = "millibar", ', ""), "either a column or a constant"),
        (('time_unit = "ms"', 'time_unit = "min"'), "'min'"),
        (('file = "air.csv"', 'file = "none.csv"'), "none.csv"),
        (('quantity = "apogee"', 'quantity = "apoge"'), "'apoge'"),
    ],
)
def test_what_is_wrong_with_a_description_is_one_sentence(
    folder: Path, tmp_path: Path, change: tuple[str, str], word: str
) -> None:
    described = tmp_path / "recorded.toml"
    described.write_text((folder / "recorded.toml").read_text().replace(*change))
    with pytest.raises(BadDescription) as caught:
        for flight in read_description(described):
            Logged.read(folder, flight)
    assert word in str(caught.value)


def test_a_description_that_is_not_there_ends_the_command(tmp_path: Path) -> None:
    done = command(str(tmp_path))
    assert (done.returncode, done.stdout) == (2, "") and "recorded.toml cannot be read" in done.stderr


def test_the_example_in_the_readme_is_a_description(tmp_path: Path) -> None:
    text = (Path(__file__).parent / "README.md").read_text(encoding="utf-8")
    described = tmp_path / "recorded.toml"
    described.write_text(text.split("```toml\n")[1].split("```")[0])
    (flight,) = read_description(described)
    assert (flight.name, [one.role for one in flight.packet[0].field]) == ("finch", ["pressure", "accel.a.z"])
