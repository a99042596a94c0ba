"""Battery and cameras by simple sums."""

from __future__ import annotations

import pytest

from server.twin.power import Battery, Camera, open_circuit_v
from server.twin.sandpiper import BatteryNumbers, CameraNumbers

NUMBERS = BatteryNumbers()


def test_charge_is_current_times_time() -> None:
    battery = Battery(NUMBERS)
    for _ in range(1000):
        battery.step(0.1, 0.6, 0)
    expected = (NUMBERS.computer_a + 0.6 + NUMBERS.servo_idle_a) * 100.0
    assert battery.used_c == pytest.approx(expected)
    assert battery.charge_left == pytest.approx(NUMBERS.charge_at_start - expected / NUMBERS.capacity_c)
    assert sum(battery.rails_a.values()) == pytest.approx(battery.current_a)


def test_voltage_sags_by_ohm_and_by_charge() -> None:
    battery = Battery(NUMBERS)
    battery.step(0.01, 0.0, 0)
    idle_v, idle_a = battery.voltage_v, battery.current_a
    battery.step(0.01, 0.9, 4)
    sag = (battery.current_a - idle_a) * NUMBERS.resistance_ohm
    assert idle_v - battery.voltage_v == pytest.approx(sag, abs=1e-3)
    battery.step(4000.0, 0.0, 0)
    assert battery.voltage_v < idle_v - 0.2


def test_open_circuit_table_is_read_with_straight_lines() -> None:
    table = ((0.0, 3.0), (0.5, 3.7), (1.0, 4.2))
    assert [open_circuit_v(table, c) for c in (-0.1, 0.0, 0.25, 0.5, 0.75, 1.0)] == pytest.approx(
        [3.0, 3.0, 3.35, 3.7, 3.95, 4.2]
    )


def run(camera: Camera, start_s: float, seconds: float) -> float:
    now = start_s
    while now < start_s + seconds - 1e-9:
        now += 0.01
        camera.step(now, 0.01)
    return now


def test_recording_takes_power_and_two_seconds() -> None:
    camera = Camera(CameraNumbers(), 10e9)
    camera.record(True, 0.0)
    now = run(camera, 0.0, 3.0)
    assert not camera.recording
    camera.switch(True, now)
    now = run(camera, now, 0.5)
    camera.record(True, now)
    now = run(camera, now, 1.9)
    assert camera.powered and not camera.recording
    now = run(camera, now, 0.2)
    assert camera.recording
    left = camera.storage_b
    now = run(camera, now, 10.0)
    assert left - camera.storage_b == pytest.approx(10.0 * CameraNumbers().record_b_s, rel=1e-6)
    camera.switch(False, now)
    run(camera, now, 0.5)
    assert not camera.powered and not camera.recording


def test_a_full_card_ends_recording() -> None:
    camera = Camera(CameraNumbers(), 1e6)
    camera.switch(True, 0.0)
    now = run(camera, 0.0, 0.5)
    camera.record(True, now)
    run(camera, now, 3.0)
    assert camera.storage_b == 0.0 and not camera.recording
