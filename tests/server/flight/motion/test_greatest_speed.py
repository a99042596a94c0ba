"""The greatest speed by forces and by heights of a closed-form boost, with a sigma that holds."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.motion.greatest_speed import GreatestSpeed, by_barometer, by_forces, told_well
from server.flight.unmeasured import Unmeasured

G = 9.80665
THRUST, BURN_S = 60.0, 2.0  # net m/s2, s: 120 m/s


def boost(scale: float, zero: float, seed: int, step_s: float = 0.02) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    t = np.arange(-1.0, BURN_S + 0.4, step_s) + 0.003
    force = np.where(t < 0.0, G, np.where(t < BURN_S, THRUST + G, -8.0))
    return t, force * scale + zero + rng.normal(0.0, 0.3, len(t))


def test_forces_within_the_sigma_told() -> None:
    rng, inside = np.random.default_rng(1), 0
    for seed in range(40):
        t, force = boost(1.0 + rng.normal(0.0, 0.015), rng.normal(0.0, 0.15), seed)
        found = by_forces(t, force, rng.normal(0.0, 0.01), 0.01, np.ones(len(t)), True)
        assert isinstance(found, GreatestSpeed) and found.speed_m_s == pytest.approx(120.0, rel=0.06)
        assert found.sigma_m_s < 3.0
        inside += abs(found.speed_m_s - 120.0) < 1.96 * found.sigma_m_s
    assert inside >= 35


def test_a_gap_widens_it_and_a_long_one_is_a_reason() -> None:
    t, force = boost(1.0, 0.0, 1)
    short, long = (t < 1.9) | (t > 2.3), (t < 1.0) | (t > 1.8)
    whole = by_forces(t, force, 0.0, 0.01, np.ones(len(t)), True)
    gapped = by_forces(t[short], force[short], 0.0, 0.01, np.ones(int(short.sum())), True)
    assert isinstance(whole, GreatestSpeed) and isinstance(gapped, GreatestSpeed)
    assert gapped.sigma_m_s > 2.0 * whole.sigma_m_s and abs(gapped.speed_m_s - 120.0) < 1.96 * gapped.sigma_m_s
    silent = by_forces(t[long], force[long], 0.0, 0.01, np.ones(int(long.sum())), True)
    assert isinstance(silent, Unmeasured) and "nothing heard for 0.8 s" in silent.reason
    assert isinstance(by_forces(t[:20], force[:20], 0.0, 0.01, np.ones(20), True), Unmeasured)


@pytest.mark.parametrize("step_s", [0.02, 0.05])
def test_heights_within_the_sigma_told(step_s: float) -> None:
    inside = 0
    for seed in range(40):
        t = np.arange(0.0, 12.0, step_s)
        since = t - BURN_S
        height = np.where(t < BURN_S, THRUST * t * t / 2.0, 120.0 + 120.0 * since - 0.5 * 15.0 * since**2)
        found = by_barometer(t, height + np.random.default_rng(seed).normal(0.0, 0.4, len(t)))
        assert isinstance(found, GreatestSpeed) and 0.5 < found.sigma_m_s < 20.0
        inside += abs(found.speed_m_s - 120.0) < 1.96 * found.sigma_m_s
    assert inside >= 37
    assert isinstance(by_barometer(t[:4], height[:4]), Unmeasured)


def test_a_speed_that_is_hardly_known_is_not_told() -> None:
    assert told_well(GreatestSpeed(1.0, 100.0, 19.0)) == GreatestSpeed(1.0, 100.0, 19.0)
    vague = told_well(GreatestSpeed(1.0, 100.0, 66.0))
    assert isinstance(vague, Unmeasured) and vague.reason == "known to \N{PLUS-MINUS SIGN}66 % only"
