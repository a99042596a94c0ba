"""Static tests: impulse, burn time, offset, filter and ringing against thrust that is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import TransferFunction, lsim

from protocol.arrays import Floats
from server.flight.weighing.ringing import Ringing
from server.flight.weighing.stand import StandProblem, firing, low_passed, without_stand

PEAK = 100.0


def trapezoid(t: Floats, peak: float = PEAK) -> Floats:
    """Return a thrust that rises in 0.02 s, falls evenly from its peak to half in 1.4 s, and goes out in 0.3 s."""
    return np.interp(t, [0.0, 0.02, 1.42, 1.72], [0.0, peak, 0.5 * peak, 0.0])


IMPULSE = PEAK * (0.01 + 0.75 * 1.4 + 0.25 * 0.3)
BURN_S = (1.72 - 0.3 * 0.05 / 0.5) - 0.001  # 5 % of the peak is a tenth of what it falls from at the end
T = np.arange(-3.0, 6.0, 0.001)


def noisy(force: Floats, sigma: float = 0.05, seed: int = 1) -> Floats:
    return force + np.random.default_rng(seed).normal(0.0, sigma, len(force))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_impulse_burn_time_and_mean(sign: float) -> None:
    """The 5 % rule (tests/SOURCES.md, static-thrust) and the area, on a force that points either way."""
    told = firing(T, sign * noisy(trapezoid(T)), scale=0.001)
    assert told.impulse.value == pytest.approx(IMPULSE, rel=5e-4) and told.turned == (sign < 0)
    assert told.burn_s.value == pytest.approx(BURN_S, abs=0.004)
    assert told.mean.value == pytest.approx(IMPULSE / BURN_S, rel=0.004)
    assert abs(told.impulse.value - IMPULSE) < 3 * told.impulse.sigma
    assert told.ignition_s == pytest.approx(0.001, abs=0.002)


def test_an_offset_that_drifts_in_the_burn_is_a_line_between_its_ends() -> None:
    offset = 7.0 + np.interp(T, [0.0, 1.72], [0.0, 3.0]) + 0.1 * T
    told = firing(T, noisy(trapezoid(T) + offset), scale=0.001)
    # The line ends where the cell has settled, later than the burn, so part of the drift is left: within its doubt.
    assert abs(told.impulse.value - IMPULSE) < 2 * told.impulse.sigma < 0.03 * IMPULSE
    assert told.offset.begin_n == pytest.approx(7.0, abs=0.05) and told.offset.end_n == pytest.approx(10.24, abs=0.05)
    without = firing(T, noisy(trapezoid(T)), scale=0.001)
    assert told.impulse.sigma > 2 * without.impulse.sigma


def test_the_filter_delays_nothing_and_is_three_decibels_down_at_its_cut_off() -> None:
    t = np.arange(0.0, 20.0, 0.001)
    wave = np.sin(2 * np.pi * 20.0 * t)
    passed = low_passed(wave, 0.001, 20.0)[5000:15000]
    assert np.std(passed) / np.std(wave) == pytest.approx(10 ** (-3.01 / 20), rel=2e-3)
    assert np.argmax(np.correlate(passed[:2000], wave[5000:7000], "full")) == 1999
    assert low_passed(np.ones(3000), 0.001, 20.0) == pytest.approx(1.0)


def test_what_the_filter_does_to_peak_and_rise_is_told() -> None:
    spike = trapezoid(T) + 60.0 * np.exp(-(((T - 0.1) / 0.004) ** 2))
    told = firing(T, noisy(spike), cutoff_hz=20.0)
    assert told.cutoff_hz == 20.0 and told.raw_peak_n > 150.0 > told.peak.value
    plain = firing(T, noisy(trapezoid(T)), cutoff_hz=20.0)
    assert plain.rise_s > 1.2 * plain.raw_rise_s and plain.raw_rise_s == pytest.approx(0.016, abs=0.002)


def test_a_stand_that_rings_is_found_and_its_overshoot_taken_back() -> None:
    """The stand's answer by scipy's simulation of its differential equation (tests/SOURCES.md, static-thrust)."""
    w, damping = 2 * np.pi * 45.0, 0.04
    fine = np.arange(-3.0, 6.0, 0.0002)
    _, seen, _ = lsim(TransferFunction([w**2], [1.0, 2 * damping * w, w**2]), trapezoid(fine), fine - fine[0])
    told = firing(T, noisy(np.interp(T, fine, seen)), scale=0.001)
    assert told.ringing is not None and told.ringing.frequency_hz == pytest.approx(45.0, rel=0.05)
    assert told.ringing.damping == pytest.approx(damping, abs=0.03)
    assert told.raw_peak_n > 1.08 * PEAK and told.peak.value == pytest.approx(PEAK, rel=0.05)
    assert told.cutoff_hz < 45.0 / 2 and told.impulse.value == pytest.approx(IMPULSE, rel=1e-3)
    assert told.burn_s.value == pytest.approx(BURN_S, abs=3 * told.burn_s.sigma)


def test_the_stands_answer_is_taken_back() -> None:
    """A thrust that wavers at a third of the stand's frequency shows an eighth too large, by scipy's simulation."""
    w, damping, t = 2 * np.pi * 45.0, 0.04, np.arange(0.0, 4.0, 0.0005)
    true = 50.0 + 10.0 * np.sin(2 * np.pi * 15.0 * t)
    _, seen, _ = lsim(TransferFunction([w**2], [1.0, 2 * damping * w, w**2]), true, t)
    settled = slice(4000, 7500)
    assert np.std(seen[settled]) == pytest.approx(1.125 * np.std(true[settled]), rel=0.005)
    back = without_stand(seen, 0.0005, Ringing(45.0, damping, 1.0))
    assert back[settled] == pytest.approx(true[settled], abs=0.1)


def test_a_hum_at_rest_is_no_ringing() -> None:
    humming = noisy(trapezoid(T)) + 2.0 * np.sin(2 * np.pi * 50.0 * T)
    assert firing(T, humming).ringing is None


def test_the_corners_of_an_even_rise_are_no_ringing() -> None:
    """A straight rise of 30 ms has a lobe at 1.5 / 0.03 s = 50 Hz in its spectrum, that fades at once."""
    even = np.interp(T, [0.0, 0.03, 1.4, 1.6], [0.0, 90.0, 60.0, 0.0])
    assert firing(T, noisy(even, 0.1)).ringing is None


def test_slow_noise_makes_the_impulse_more_doubtful_than_its_variance() -> None:
    rng = np.random.default_rng(6)
    white = rng.normal(size=len(T))
    slow = np.zeros_like(white)
    for k in range(1, len(T)):
        slow[k] = 0.99 * slow[k - 1] + white[k]
    fast, colored = (firing(T, trapezoid(T) + 0.3 * one / one.std(), scale=0.0) for one in (white, slow))
    assert colored.impulse.sigma > 4 * fast.impulse.sigma
    assert abs(colored.impulse.value - IMPULSE) < 3 * colored.impulse.sigma


@pytest.mark.parametrize(
    ("t", "force", "says"),
    [
        (T, noisy(0.0 * T), "Nothing in this record stands out"),
        (T, 0.0 * T, "Nothing in this record stands out"),
        (T[2900:], trapezoid(T)[2900:], "Half a second at rest"),
        (T[:4900], trapezoid(T)[:4900], "Half a second at rest"),
        (T[::200], trapezoid(T)[::200], "samples lie in the burn"),
        (T[:20], T[:20], "tells no thrust"),
        (np.array([0.0] * 40), np.zeros(40), "tells no thrust"),
    ],
    ids=["noise", "nothing", "no rest before", "no rest after", "too slow", "too short", "one time"],
)
def test_what_tells_no_thrust(t: Floats, force: Floats, says: str) -> None:
    with pytest.raises(StandProblem, match=says):
        firing(t, force)


def test_a_cut_off_that_cannot_be() -> None:
    with pytest.raises(StandProblem, match="between 0 and 400 Hz"):
        firing(T, noisy(trapezoid(T)), cutoff_hz=900.0)
