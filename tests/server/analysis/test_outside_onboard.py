"""The log of a vehicle with a barometer only, brought home (row 16); the table heads test_outside_rows.py."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from server.shelf.onboard_alignment import align_log
from server.shelf.onboard_log import read_log
from tests.server.analysis.outside import air_packet, flown, pressures, standard_height, told

RATE_HZ = 20.0
EVERY = 5  # of the simulator's samples


@pytest.mark.parametrize("log", ["pressure", "altitude"])
@pytest.mark.parametrize("sent", ["pressure", "altitude"])
def test_a_vehicle_with_a_barometer_only_brings_its_log_home(sent: str, log: str, tmp_path: Path) -> None:
    """Seen: pressure alone refused 7 of 7, or a log of the flight alone laid 60 s off with a sigma of 20 ms; altitude never
    compared with pressure."""
    flight, offset_s, drift = flown(), 31.7, 4e-5
    ours, theirs = pressures(flight, seed=3), pressures(flight, seed=4)
    packet = air_packet(ours) if sent == "pressure" else air_packet(standard_height(ours), role="altitude_baro")
    review = told(flight, [packet]).review
    t = (flight.t + 3.0 - offset_s) / (1.0 + drift)  # the station's second 3 is the flight's 0
    name, values = ("pressure_pa", theirs) if log == "pressure" else ("altitude_m", standard_height(theirs) + 212.0)
    # A logger that begins with the launch and ends soon after the landing.
    kept = (flight.t > flight.moments["lift_off"] - 5.0) & (flight.t < flight.moments["landing"] + 8.0)
    rows = [f"{a:.4f},{b:.3f}" for a, b in zip(t[kept][::EVERY].tolist(), values[kept][::EVERY].tolist(), strict=True)]
    (tmp_path / "card.csv").write_text("\n".join([f"time_s,{name}", *rows]) + "\n", encoding="utf-8")
    found = align_log(review, read_log(tmp_path / "card.csv"))
    assert found.refused == ""
    moments = np.array([flight.moments[key] for key in ("lift_off", "burnout", "apogee_time", "landing")]) + 3.0
    errors = found.to_reference((moments - offset_s) / (1.0 + drift)) - moments
    assert np.abs(errors).max() < 0.1
