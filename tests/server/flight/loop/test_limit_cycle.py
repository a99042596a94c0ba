"""A swing of the loop's own is found with its size, and neither noise nor an answer that dies away is taken for one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lombscargle

from server.flight.loop.limit_cycle import SURE, Swing, _Lines, limit_cycle
from server.flight.unmeasured import Unmeasured


def told(seed: int, rate: float, fin: float, hz: float, fade: float = 0.0, push: float = 0.02) -> Swing | Unmeasured:
    """Return what is found in 2.5 s of a sine in red noise: three sensors at 20 and 25 Hz with losses, the fins at 20 Hz."""
    rng = np.random.default_rng(seed)
    grid = np.arange(0.0, 3.0, 0.002)
    noise = np.zeros(grid.size)
    for i in range(1, grid.size):
        noise[i] = noise[i - 1] * np.exp(-0.002 / 0.3) + push * np.sqrt(2.0 * 0.002 / 0.3) * rng.standard_normal()

    def sampled(size: float, every: float, air: float, turn: float) -> tuple[np.ndarray, np.ndarray]:
        t = np.arange(rng.uniform(0.0, every), 2.9, every)
        t = t[rng.random(t.size) > 0.1]
        values = size * np.exp(-fade * t) * np.sin(2.0 * np.pi * hz * t + turn) + air * np.interp(t, grid, noise)
        return t, values + 0.0025 * air * rng.standard_normal(t.size)

    rates = [sampled(rate, every, 1.0, 0.0) for every in (0.05, 0.04, 0.04)]
    return limit_cycle(rates, sampled(fin, 0.05, 0.1, 1.0), 0.2, 2.8)


@pytest.mark.parametrize("hz", [2.3, 4.7, 8.1])
def test_a_swing_is_found_with_its_frequency_and_sizes(hz: float) -> None:
    for seed in range(4):
        found = told(seed, 0.2, 0.012, hz)
        assert isinstance(found, Swing) and found.is_limit_cycle
        assert found.low_hz <= hz <= found.high_hz and found.high_hz - found.low_hz < 0.3
        assert abs(found.rate_rad_s - 0.2) < 3.0 * found.rate_sigma_rad_s + 0.01
        assert abs(found.fin_rad - 0.012) < 3.0 * found.fin_sigma_rad + 0.001


def test_noise_alone_is_none() -> None:
    """Over 40 seeds, noise as red as it is taken for: chance is uniform by its definition, so few are small."""
    chances = []
    for seed in range(40):
        found = told(100 + seed, 0.0, 0.0, 3.0)
        assert isinstance(found, Swing) and not found.is_limit_cycle
        chances.append(found.chance)
    assert sum(one < 0.1 for one in chances) <= 10 and min(chances) > SURE


def test_an_answer_that_dies_away_is_none_and_a_line_without_the_fins_neither() -> None:
    fading, without = told(3, 0.6, 0.03, 3.0, fade=1.5), told(3, 0.2, 0.0, 3.0)
    assert isinstance(fading, Swing) and fading.kept < 0.5 and not fading.is_limit_cycle
    assert isinstance(without, Swing) and without.chance < SURE and not without.is_limit_cycle


def test_in_white_noise_the_line_is_where_an_independent_periodogram_has_it() -> None:
    rng = np.random.default_rng(8)
    t = np.sort(rng.uniform(0.0, 3.0, 90))
    values = 0.3 * np.cos(2.0 * np.pi * 3.4 * t) + 0.1 * rng.standard_normal(90)
    tried = np.arange(1.5, 10.0, 0.02)
    lines = _Lines.of(t, values)
    ours = tried[int(np.argmax([lines.at(one).gain for one in tried]))]
    theirs = tried[int(np.argmax(lombscargle(t, values - values.mean(), 2.0 * np.pi * tried)))]
    assert ours == pytest.approx(theirs, abs=0.05)


def test_too_little_is_said_to_be() -> None:
    t = np.arange(0.0, 0.5, 0.05)
    assert isinstance(limit_cycle([(t, t)], (t, t), 0.0, 0.5), Unmeasured)
