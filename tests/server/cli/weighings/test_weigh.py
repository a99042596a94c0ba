"""`blockhouse weigh`: a swing from a recording and from a port, two scales, a static test from CSV and from a recording."""

from __future__ import annotations

import os
import re
import threading
import time
import tomllib
import tty
from pathlib import Path

import numpy as np
import pytest

from server.cli.cli import main
from server.design.sheet_files import load_sheets
from server.flight.airframe.thrust_curve import curve_of, curve_of_csv
from server.flight.weighing.pendulum import Hung, Measured, gravity_at
from server.review.review import open_review
from server.study.asking import whole_flight
from server.study.subjects import answered
from tests.server.flights import SHEETS, dictionary
from tests.server.weighing import STAND, gyro_frames, session, stand_lines, swung

SHEET = Path(__file__).resolve().parents[4] / "server" / "design" / "sheets" / "sandpiper.toml"
HOW = ["--mass-kg", "1.49", "--spacing-m", "0.6", "--length-m", "1.9"]
PERIOD_S = 2.3


def lateral_by_hand() -> float:
    """Return the inertia that the made swing has, by the closed form, the air's share taken off."""
    g = gravity_at(40.0, 620.0)
    hung = Hung(Measured(1.49, 0.002), Measured(0.6, 0.001), Measured(1.9, 0.002), g)
    return hung.inertia_of(PERIOD_S)


def firing() -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(0.0, 12.0, 0.002)
    force = np.interp(t, [3.0, 3.03, 4.4, 4.6], [0.0, 90.0, 60.0, 0.0])
    return t, force + 2.0 + np.random.default_rng(1).normal(0.0, 0.1, len(t))


IMPULSE = 90.0 * 0.015 + 75.0 * 1.37 + 60.0 * 0.1


def test_a_swing_of_a_recording_becomes_a_line_of_the_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = session(tmp_path, "swing", gyro_frames(*swung()), dictionary().text, SHEETS.vehicle, SHEETS.site)
    out = tmp_path / "lines.toml"
    arguments = ["weigh", "swing", "--session", str(file), *HOW, "--without", "motor case and mount", "--out", str(out)]
    assert main(arguments) == 0
    said = capsys.readouterr().out
    value = float(re.search(r"Inertia about the lateral axis: ([\d.]+) ±", said)[1])  # type: ignore[index]
    assert 0.985 < value / lateral_by_hand() < 0.995, "the air that moves along is nearly a percent of so slender a body"
    assert "without motor and charges" in said and "CAUTION: Motor, igniters and all charges out" in said
    assert "By the sheet's pieces without motor case and mount, propellant: 0.1" in said
    line = tomllib.loads(out.read_text())["vehicle"]["lateral_inertia_kg_m2"]
    assert line > value and re.search(r"one standard deviation 0\.00\d+, \d{4}-\d\d-\d\d", out.read_text())
    assert main(arguments) == 1
    assert "nothing is overwritten" in capsys.readouterr().err


@pytest.mark.terminal
def test_a_swing_is_heard_at_a_port(capsys: pytest.CaptureFixture[str]) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    data = b"".join(chunk for _, chunk in gyro_frames(*swung(80.0)))

    def speak() -> None:  # what is sent before the port is opened is lost, as at the bench
        for at in range(0, len(data), 1024):
            os.write(master, data[at : at + 1024])
            time.sleep(0.03)

    speaking = threading.Thread(target=speak, daemon=True)
    speaking.start()
    try:
        assert main(["weigh", "swing", "--port", os.ttyname(slave), "--seconds", "4", *HOW]) == 0
    finally:
        speaking.join(5.0)
        os.close(slave)
        os.close(master)
    said = capsys.readouterr().out
    period = float(re.search(r"period of small swings +([\d.]+) ±", said)[1])  # type: ignore[index]
    assert period == pytest.approx(PERIOD_S, rel=5e-3)


def test_what_does_not_swing_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    t = np.arange(0.0, 30.0, 0.05) + 1.0
    still = gyro_frames(t, np.random.default_rng(1).normal(0.0, 0.02, (len(t), 3)))
    file = session(tmp_path, "still", still, dictionary().text, {}, {})
    assert main(["weigh", "swing", "--session", str(file), *HOW]) == 1
    assert capsys.readouterr().err.startswith("blockhouse: Nothing in these turn rates swings freely")
    cell = session(tmp_path, "cell", stand_lines(*firing()), STAND, {}, {})
    assert main(["weigh", "swing", "--session", str(cell), *HOW]) == 1
    assert "No turn rates" in capsys.readouterr().err


def test_two_scales(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "lines.toml"
    front = ["--front-kg", "0.601", "0.599", "--front-m", "0.3"]
    arguments = [
        "weigh",
        "scales",
        *front,
        "--rear-kg",
        "0.95",
        "--rear-m",
        "0.97",
        "--sheet",
        str(SHEET),
        "--out",
        str(out),
    ]
    assert main(arguments) == 0
    said = capsys.readouterr().out
    assert "Mass 1.550 ± 0.003 kg, center of gravity 0.7106 ± 0.0016 m" in said and "without motor and charges" in said
    lines = tomllib.loads(out.read_text())["vehicle"]
    assert lines["burnout_mass_kg"] == pytest.approx(1.55) and lines["liftoff_mass_kg"] == pytest.approx(1.62)
    assert lines["center_of_gravity_m"] == pytest.approx((1.55 * 0.71065 + 0.035 * 1.145) / 1.585, abs=2e-4)
    assert main([*arguments[:-2], "--without", "sails"]) == 1
    assert "The sheet lists no piece 'sails'; there are: nose cone" in capsys.readouterr().err


def test_a_static_test_of_a_table_becomes_a_curve_that_the_sheet_takes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    t, force = firing()
    table, out, curve = tmp_path / "cell.csv", tmp_path / "motor.toml", tmp_path / "motor.csv"
    rows = zip((1000 * t).tolist(), (force / 4.4482216152605).tolist(), strict=True)
    table.write_text("time (ms),force (lbf)\n" + "\n".join(f"{ms:.1f},{pounds:.5f}" for ms, pounds in rows))
    arguments = ["weigh", "thrust", "--csv", str(table), "--sheet", str(SHEET), "--date", "2026-11-29"]
    assert main([*arguments, "--out", str(out), "--serial", "LC-7", "--motor", "tried"]) == 0
    said = capsys.readouterr().out
    for words in ("nobody near", "range safety officer", "class G", "weaker than declared", "filtered forward and backward"):
        assert words in said, words
    lines = tomllib.loads(out.read_text())
    assert str(lines["calibration"]["thrust_stand"]["date"]) == "2026-11-29"
    assert lines["calibration"]["thrust_stand"]["unit_serial"] == "LC-7"
    points = lines["vehicle"]["configuration"]["motor"]["thrust"]
    assert len(points) <= 32 and curve_of(points).impulse_n_s == pytest.approx(IMPULSE, rel=2e-3)
    assert main([*arguments, "--out", str(curve)]) == 0
    assert curve_of_csv(curve.read_text()).impulse_n_s == pytest.approx(IMPULSE, rel=2e-3)
    # The sheet itself with the measured points in it, read as any sheet is.
    text = SHEET.read_text()
    begin = text.index("thrust = [\n  [0.0")
    mine = tmp_path / "mine.toml"
    mine.write_text(text[:begin] + 'thrust_file = "motor.csv"\n' + text[text.index("]\n\n[site]") + 2 :])
    motor = load_sheets(mine, False).vehicle["configuration"]["motor"]  # type: ignore[index]
    assert curve_of(motor["thrust"]).letter == "G"
    assert main([*arguments, "--out", str(tmp_path / "other.toml")]) == 1
    assert "--serial" in capsys.readouterr().err


def test_a_static_test_of_a_recording_by_command_and_by_study(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = session(tmp_path, "cell", stand_lines(*firing()), STAND, SHEETS.vehicle, SHEETS.site)
    assert main(["weigh", "thrust", "--session", str(file)]) == 0
    said = capsys.readouterr().out
    study = answered("thrust-stand", whole_flight(open_review(file)))
    assert study.said[0] in said and "class G" in study.said[0]
    impulse = next(one for one in study.numbers if one.name == "total impulse")
    assert impulse.value == pytest.approx(IMPULSE, rel=2e-3)
    assert impulse.low is not None and impulse.high is not None and impulse.low < IMPULSE < impulse.high
    assert "declared" in {line.name for line in study.pictures[0].lines} and study.advice
    assert main(["weigh", "thrust", "--session", str(file), "--date", "soon"]) == 1
    assert "--date is a day" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time (ms),force\n0,1\n1,2\n2,3\n", "found 1 of time (s, ms, us) and 0 of force"),
        ("time (s),a (N),b (N)\n0,1,1\n1,2,2\n2,3,3\n", "found 1 of time (s, ms, us) and 2 of force"),
        ("time (s),force (N)\n0,1\n1,2\n2,3\n3,4\n", "tells no thrust"),
    ],
)
def test_a_table_that_tells_no_thrust(text: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "cell.csv").write_text(text)
    assert main(["weigh", "thrust", "--csv", str(tmp_path / "cell.csv")]) == 1
    assert says in capsys.readouterr().err
