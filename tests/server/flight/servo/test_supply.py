"""The servos' supply: its resistance against scipy's line and by coverage; shares of time at limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress

from server.flight.servo.supply import sag_of, share_at_rate, share_at_travel


def supply(seed: int, ohm: float = 0.2, together: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, volts and amperes of a battery that empties, with noise that may last (AR(1))."""
    rng = np.random.default_rng(seed)
    t = 0.05 * np.arange(200)
    moving = rng.random(200) if not together else np.repeat(rng.random(40), 5)  # a movement lasts as well
    amps = 0.2 + 1.5 * (moving < 0.4) * moving
    noise = rng.standard_normal(200)
    for k in range(1, 200):
        noise[k] = together * noise[k - 1] + np.sqrt(1.0 - together**2) * noise[k]
    return t, 8.0 - 0.01 * t - ohm * amps + 0.01 * noise, amps


def test_the_resistance_is_scipys_slope_once_the_slow_change_is_out() -> None:
    t, volts, amps = supply(1)
    found = sag_of((t, volts), (t, amps))

    def straight(values: np.ndarray) -> np.ndarray:
        line = linregress(t, values)
        return values - line.intercept - line.slope * t

    assert found.ohm == pytest.approx(-linregress(straight(amps), straight(volts)).slope, rel=1e-9)


@pytest.mark.parametrize("together", [0.0, 0.6])
def test_the_interval_holds_the_resistance(together: float) -> None:
    held = 0
    for seed in range(200):
        t, volts, amps = supply(seed, together=together)
        found = sag_of((t, volts), (t, amps))
        held += found.low <= 0.2 <= found.high
    assert 180 <= held <= 198


def test_a_supply_that_is_not_asked_says_so_and_its_least_voltage_is_told() -> None:
    t, volts, _ = supply(1)
    still = sag_of((t, volts), (t, np.full(200, 0.3)))
    assert still.ohm is None and still.reason == "its current hardly changed" and still.least_v == volts.min()
    assert sag_of((t, volts), (t[:0], t[:0])).reason == "its current was not heard"
    assert sag_of((t[:0], t[:0]), (t, volts)).least_v is None
    assert sag_of((t, volts), (t + 100.0, volts)).reason == "too little was heard of voltage and current together"


def test_packets_of_their_own_are_brought_together() -> None:
    t, volts, amps = supply(3)
    apart = sag_of((t, volts), (t + 0.01, amps))
    assert apart.ohm == sag_of((t, volts), (t, amps)).ohm


def test_shares_of_time_at_a_limit() -> None:
    t = 0.05 * np.arange(100)
    u = np.clip(0.3 * np.sin(t), -0.14, 0.14)
    share, size = share_at_travel((t, u), 0.0, 5.0)
    assert size == 0.14 and share == pytest.approx(np.mean(np.abs(u) > 0.1395))
    assert (
        share_at_travel((t, 0.1 * np.sin(t)), 0.0, 5.0) is None or share_at_travel((t, 0.1 * np.sin(t)), 0.0, 5.0)[0] < 0.1
    )
    assert share_at_travel((t, 0.0 * t), 0.0, 5.0) is None
    fine = 0.005 * np.arange(1000)
    assert share_at_rate((fine, (fine < 1.0).astype(float)), 0.0, 4.0) == pytest.approx(0.25, abs=0.01)
    assert share_at_rate((fine[:0], fine[:0]), 0.0, 4.0) == 0.0
