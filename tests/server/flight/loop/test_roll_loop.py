"""Margins of the roll loop against closed forms and against scipy's own frequency responses."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.signal import freqs

from server.flight.loop.roll_loop import FULLY_LIMITED, Lateness, RollLaw, margins, rate_limited


@pytest.mark.parametrize(("gain", "delay"), [(5.0, 0.02), (12.0, 0.035), (40.0, 0.01), (90.0, 0.02)])
def test_an_integrator_with_a_delay(gain: float, delay: float) -> None:
    """tests/SOURCES.md, loop-margins: k exp(-s T) / s; the last two are unstable, their margins negative."""
    found = margins(gain, 0.0, 0.0, 0.0, delay)
    assert float(found.crossover_rad_s) == pytest.approx(gain, rel=1e-9)
    assert float(found.phase_rad) == pytest.approx(np.pi / 2.0 - gain * delay, abs=1e-9)
    assert float(found.gain_db) == pytest.approx(20.0 * np.log10(np.pi / (2.0 * gain * delay)), abs=1e-6)


@pytest.mark.parametrize(("gain", "damping", "lag"), [(20.0, 3.0, 0.03), (8.0, 10.0, 0.05), (3.0, 2.0, 0.1)])
def test_two_lags(gain: float, damping: float, lag: float) -> None:
    """g / ((s + d)(T s + 1)) never turns by 180 degrees; its crossover solves a quadratic in the square of the frequency."""
    found = margins(gain, 0.0, damping, lag, 0.0)
    a, b, c = lag**2, 1.0 + (lag * damping) ** 2, damping**2 - gain**2
    crossing = np.sqrt((-b + np.sqrt(b * b - 4.0 * a * c)) / (2.0 * a)) if c < 0.0 else 0.0
    assert np.isinf(found.gain_db) and float(found.crossover_rad_s) == pytest.approx(crossing, rel=1e-9)
    if crossing:
        expected = np.pi - np.arctan(crossing / damping) - np.arctan(crossing * lag)
        assert float(found.phase_rad) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_as_an_independent_frequency_response_has_them(seed: int) -> None:
    """scipy.signal.freqs of the same polynomials, the delay's phase put to it, and its own root finder."""
    rng = np.random.default_rng(seed)
    rate, angle, damping = rng.uniform(5.0, 40.0), rng.uniform(0.0, 12.0), rng.uniform(0.0, 4.0)
    lag, delay = rng.uniform(0.005, 0.06), rng.uniform(0.003, 0.03)

    def response(omega: float) -> complex:
        _, h = freqs([rate, rate * angle], np.polymul([1.0, damping, 0.0], [lag, 1.0]), [omega])
        return complex(h[0] * np.exp(-1j * omega * delay))

    crossing = brentq(lambda x: np.log(abs(response(np.exp(x)))), np.log(0.05), np.log(2000.0))
    # Turned by half a turn first, the phase near -180 degrees has no jump.
    grid = np.geomspace(np.exp(crossing) * 0.2, 2000.0, 4000)
    turned = np.unwrap([np.angle(-response(omega)) for omega in grid])
    turned -= 2.0 * np.pi * np.round(turned[0] / (2.0 * np.pi))
    turning = float(np.interp(0.0, -turned, grid))
    found = margins(rate, angle, damping, lag, delay)
    assert float(found.crossover_rad_s) == pytest.approx(np.exp(crossing), rel=1e-6)
    assert float(found.phase_rad) == pytest.approx(np.angle(-response(np.exp(crossing))), abs=1e-6)
    assert float(found.gain_db) == pytest.approx(-20.0 * np.log10(abs(response(turning))), abs=0.02)


def test_at_the_gain_margin_the_loop_stands_on_the_edge() -> None:
    """Multiplied by it, the phase margin is none."""
    at = (11.2, 4.4, 2.0, 0.03, 0.01)
    first = margins(*at)
    second = margins(at[0] * 10.0 ** (first.gain_db / 20.0), *at[1:])
    assert float(second.phase_rad) == pytest.approx(0.0, abs=1e-6) and float(second.gain_db) == pytest.approx(0.0, abs=1e-6)


def test_fins_the_wrong_way_round_have_no_margin() -> None:
    found = margins(np.array([-5.0, 5.0]), 2.0, 1.0, 0.03, 0.01)
    assert found.gain_db[0] == found.phase_rad[0] == -np.inf and found.gain_db[1] > 0.0


def test_a_law_that_divides_by_the_dynamic_pressure_has_its_floor() -> None:
    law = RollLaw(0.1, 0.03, reference_pa=1000.0, least_pa=100.0)
    assert law.share(np.array([50.0, 100.0, 500.0, 2000.0])) == pytest.approx([10.0, 10.0, 2.0, 0.5])
    assert RollLaw(0.1, 0.03).share(np.array([50.0, 2000.0])) == pytest.approx([1.0, 1.0])


def test_late_is_half_a_period_and_what_comes_on_top() -> None:
    late = Lateness.of(0.02, 0.004, 0.03, 0.006)
    assert late == Lateness(0.03, pytest.approx(0.02))


@pytest.mark.parametrize("ratio", [0.5, 1.0, 1.3, 1.6, FULLY_LIMITED, 3.0, 8.0])
def test_a_rate_limited_servo_is_the_first_harmonic_of_one_that_is_simulated(ratio: float) -> None:
    """tests/SOURCES.md, rate-limited-servo: integrated step by step, and the first harmonic summed.

    The straight line between the two regimes is within 0.08 of it.
    """
    omega, rate, step = 5.0, 1.0, 1e-4
    swing = ratio * rate / omega
    turns, out, held = np.arange(0.0, 20.0 * np.pi, omega * step), [], 0.0
    for wanted in swing * np.sin(turns):
        held += float(np.clip(wanted - held, -rate * step, rate * step))
        out.append(held)
    last = turns >= 18.0 * np.pi
    harmonic = 2.0 * np.mean(np.array(out)[last] * np.exp(-1j * turns[last])) * 1j / swing
    gain, lag = rate_limited(np.array(swing), np.array(omega), rate)
    near = 0.08 if 1.0 < ratio < FULLY_LIMITED else 0.004
    assert abs(complex(gain * np.exp(1j * lag)) - harmonic) < near
