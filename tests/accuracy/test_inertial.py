"""The commands about raw units and bad frames count what they say; the wide forms are run by hand."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from server.flight.inertial.ascent import Moments
from tests.accuracy import bad_frames, strapdown
from tests.accuracy.turning_flights import draw_flight


def test_the_tables_have_a_row_for_each_quantity_and_cause() -> None:
    lines = strapdown.table([606])
    assert any(line.startswith("| burnout | turn | 1 |") for line in lines)
    assert all(line.count("|") == lines[0].count("|") for line in lines)
    assert len(bad_frames.table([2])) == 2 + len(bad_frames.CAUSES)


def test_a_recorded_flight_s_own_axes_are_turned_to_the_body_s(tmp_path: Path) -> None:
    one = draw_flight(606)
    unit = one.units["a"]
    with (tmp_path / "x_imu.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["ts", "Ax", "Ay", "Az", "Gx", "Gy", "Gz"])
        # The nose is -y of this log, and body y its z.
        for t, force, rates in zip(unit.t, unit.force, np.degrees(unit.rates), strict=True):
            writer.writerow([t, force[0], -force[2], force[1], rates[0], -rates[2], rates[1]])
    with (tmp_path / "x_onboard_estimate.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["ts", "height", "velocity"])
        for k in range(0, len(one.t), 50):
            writer.writerow([one.t[k], one.height[k], one.velocity[k, 2]])
    moments = Moments(one.moments["lift_off"], one.moments["burnout"], one.moments["apogee_time"])
    last = strapdown.recorded(tmp_path, "x", ("x", "z", "-y"), moments)[-2]
    told, sigma = (float(part) for part in last.split("|")[5].split("+-"))
    assert abs(told - one.height[-1]) < 4.0 * sigma
