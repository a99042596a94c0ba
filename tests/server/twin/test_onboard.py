"""The simulated onboard log: its own clock, the flight's truth in it, and no influence on anything else."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest

from server.twin import onboard
from server.twin.onboard import COLUMNS, OnboardRecorder
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.server.flights import KEY, dictionary


def twin(seed: int = 1) -> Twin:
    return Twin(scenario=load_scenario("calm"), seed=seed, dictionary=dictionary(), key=KEY, boot_id=3, ignite_after_s=12.0)


def table_of(text: str) -> tuple[np.ndarray, list[str]]:
    header, *lines = text.splitlines()
    assert next(csv.reader(io.StringIO(header))) == list(COLUMNS)
    rows = [line for line in lines if line.count(",") == len(COLUMNS) - 1]
    return np.loadtxt(rows, delimiter=","), [line for line in lines if line not in set(rows)]


def test_the_radio_brings_the_same_bytes_with_and_without_a_log() -> None:
    plain, logging = twin(), twin()
    logging.recorder = OnboardRecorder(logging.vehicle, 1)
    assert plain.advance(16.0) == logging.advance(16.0)
    assert plain.truth() == logging.truth()


@pytest.mark.parametrize(("offset", "drift"), [(0.0, 0.0), (100.0, 1e-3), (-7.5, -2e-4)])
def test_its_clock_is_its_own_and_its_rows_are_the_flight(offset: float, drift: float) -> None:
    flying = twin()
    flying.recorder = OnboardRecorder(flying.vehicle, 1, offset, drift)
    flying.advance(16.0)
    table, events = table_of(flying.recorder.text())
    assert len(table) == 3200
    vehicle_s = offset + (1.0 + drift) * table[:, 0] / 1000.0
    assert np.allclose(np.diff(vehicle_s), 0.005, atol=1.1e-4) and vehicle_s[-1] == pytest.approx(16.0, abs=1e-3)
    truth = flying.trajectory()
    force, height = table[:, 3] * 9.80665, table[:, COLUMNS.index("up [m]")]
    begun = vehicle_s[np.flatnonzero(force > 30.0)[0]]
    assert begun == pytest.approx(flying.truth()["liftoff_s"], abs=0.1)
    inside = vehicle_s > truth["t_s"][0]
    assert np.abs(height[inside] - np.interp(vehicle_s[inside], truth["t_s"], truth["up_m"])).max() < 8.0
    assert [line.split(" ", 1)[1] for line in events][:3] == ["phase startup", "phase pad", "phase boost"]


def test_only_the_last_minutes_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(onboard, "KEEP_S", 2.0)
    waiting = twin()
    waiting.recorder = OnboardRecorder(waiting.vehicle, 1)
    waiting.advance(5.0)
    table, _ = table_of(waiting.recorder.text())
    assert len(table) == 400 and table[-1, 0] == pytest.approx(5000.0)


def test_it_goes_on_when_the_flight_computer_restarts() -> None:
    waiting = twin()
    waiting.recorder = OnboardRecorder(waiting.vehicle, 1)
    waiting.advance(3.0)
    waiting.reboot()
    waiting.advance(6.0)
    table, events = table_of(waiting.recorder.text())
    assert len(table) == 1200 and table[-1, 0] == pytest.approx(6000.0)
    assert [line.split(" ", 1)[1] for line in events] == ["phase startup", "phase pad"] * 2
