"""Descent rates against the check values, scipy's fit and solve_ivp; verdicts over many seeds and flights of the twin."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit

from server.flight.descent.canopies import (
    CANNOT_TELL,
    Descent,
    Expected,
    landing_energy_j,
    landing_rate,
    settled_descent,
    which_canopies,
)
from server.twin.scenario import Scenario
from tests.server.flight.twin_flights import Heard, fly, heard

SHEET = Expected(5.4, 8.9)


def test_landing_energy() -> None:
    """tests/SOURCES.md, drift-and-landing: 1.5 kg at 5 m/s is 18.75 J."""
    assert landing_energy_j(1.5, 5.0) == 18.75


def falling(rate: float, seed: int, top_m: float = 250.0, loss: float = 0.0, noise_m: float = 0.25):
    """A fall with quadratic drag from rest (scipy's solve_ivp), rising and sinking air, noise and loss at 20 Hz."""
    rng = np.random.default_rng(seed)
    end = top_m / rate + 2.0
    solved = solve_ivp(
        lambda _, y: [y[1], -9.81 + 9.81 * (y[1] / rate) ** 2], (0, end), [top_m, 0.0], dense_output=True, rtol=1e-8
    )
    t = np.arange(0.0, end, 0.05)
    height = solved.sol(t)[0] + 0.3 * np.sin(2 * np.pi * t / 7.0 + rng.uniform(0, 6)) + noise_m * rng.normal(size=len(t))
    landing = float(t[np.argmax(solved.sol(t)[0] <= 0.0)])
    kept = rng.random(len(t)) >= loss
    return t[kept], np.maximum(height, 0.0)[kept], landing


@pytest.mark.parametrize("loss", [0.0, 0.25])
@pytest.mark.parametrize("rate", [5.4, 8.9, 25.0])
def test_the_rate_and_its_sigma_are_honest(rate: float, loss: float) -> None:
    off = []
    for seed in range(40):
        t, height, landing = falling(rate, seed, loss=loss)
        found = settled_descent(t, height, 0.0, landing, 0.25)
        off.append((found.rate_m_s - rate) / found.sigma_m_s)
        assert abs(found.rate_m_s - rate) < 0.04 * rate
    assert np.mean(np.abs(off) < 2.0) >= 0.85


def test_the_line_is_scipys_weighted_fit() -> None:
    t, height, landing = falling(5.4, 3)
    sigma = np.where(np.arange(len(t)) % 2, 0.2, 0.6)
    found = settled_descent(t, height, 0.0, landing, sigma)
    used = (t >= found.start_s) & (t <= found.end_s)
    fit, cov = curve_fit(lambda x, a, b: a + b * x, t[used], height[used], sigma=sigma[used], absolute_sigma=True)
    assert found.rate_m_s == pytest.approx(-fit[1], rel=1e-6) and found.samples == used.sum()
    assert found.sigma_m_s >= np.sqrt(cov[1, 1]) * (1 - 1e-6)


def test_an_opening_in_the_middle_leaves_the_longer_part() -> None:
    t = np.arange(0.0, 40.0, 0.05)
    height = 300.0 - np.where(t < 10.0, 20.0 * t, 200.0 + 5.0 * (t - 10.0))
    found = settled_descent(t, height + 0.2 * np.random.default_rng(1).normal(size=len(t)), 0.0, 30.0)
    assert found.rate_m_s == pytest.approx(5.0, abs=0.1) and found.start_s > 9.5


@pytest.mark.parametrize(("rate", "verdict"), [(5.4, "both"), (8.9, "one"), (25.0, "none"), (15.0, "none")])
@pytest.mark.parametrize("loss", [0.0, 0.25])
def test_which_canopies_over_twenty_seeds(rate: float, verdict: str, loss: float) -> None:
    for seed in range(20):
        t, height, landing = falling(rate, seed, loss=loss)
        assert which_canopies(settled_descent(t, height, 0.0, landing), SHEET).canopies == verdict


def test_in_between_and_off_the_scale_it_cannot_be_told() -> None:
    for rate, words in ((6.9, "too close"), (1.0, "fits none"), (float("nan"), "too little"), (-4.0, "fits none")):
        verdict = which_canopies(Descent(rate, 0.1, 0.0, 10.0, 200), SHEET)
        assert verdict.canopies == CANNOT_TELL and words in verdict.reason
    assert which_canopies(None, SHEET).canopies == CANNOT_TELL
    wide = which_canopies(Descent(5.4, 5.0, 0.0, 10.0, 200), SHEET)
    assert wide.canopies == CANNOT_TELL and sum(wide.posterior) == pytest.approx(1.0)


def test_expected_rates_follow_the_density() -> None:
    thin = Expected(5.0, 8.0, 24.0, 1.225)
    at_2000_m = which_canopies(Descent(5.0 * 1.103, 0.1, 0.0, 10.0, 200), thin, 1.00655)
    assert at_2000_m.canopies == "both" and "5.5 under both" in at_2000_m.reason and "26 under none" in at_2000_m.reason
    assert "5.0 under both" in which_canopies(Descent(5.0, 0.1, 0.0, 10.0, 200), thin).reason


def test_bad_samples_are_passed_over_and_too_few_are_nothing() -> None:
    t, height, landing = falling(5.4, 2)
    rng = np.random.default_rng(0)
    order = rng.permutation(len(t))
    spoiled = height.copy()
    spoiled[::9] = rng.choice([np.nan, np.inf, -np.inf, 1e300], len(spoiled[::9]))
    found = settled_descent(np.repeat(t[order], 2), np.repeat(spoiled[order], 2), 0.0, landing)
    assert found.rate_m_s == pytest.approx(5.4, abs=0.15)
    assert settled_descent([], [], 0.0, 10.0) is None and landing_rate([], [], 10.0) is None
    assert settled_descent(t[:60], height[:60], 0.0, landing) is None
    assert settled_descent(t, np.full(len(t), np.nan), 0.0, landing) is None
    assert settled_descent(t, height, 0.0, landing, 0.0) is None
    assert landing_rate(t[t < landing - 3.0], height[t < landing - 3.0], landing) is None


def of_flight(flight: Heard) -> tuple[Descent, Descent]:
    t, columns = flight.tables["ground_vertical"]
    start, end = flight.truth["separation_s"], flight.truth["landing_s"]
    return settled_descent(t, columns["height_raw"], start, end), landing_rate(t, columns["height_raw"], end)


def true_rate(flight: Heard, start_s: float, end_s: float) -> float:
    path = flight.trajectory
    at = np.interp([start_s, end_s], path["t_s"], path["up_m"])
    return float((at[0] - at[1]) / (end_s - start_s))


@pytest.mark.parametrize(
    ("scenario", "seed", "verdict"),
    [
        ("calm", 1, "both"),
        ("thin-link", 1, "both"),
        ("thin-link", 2, "both"),
        ("one-chute", 1, "one"),
        ("one-chute", 2, "one"),
    ],
)
def test_the_twins_parachutes_are_counted(scenario: str, seed: int, verdict: str) -> None:
    flight = heard(scenario, seed)
    settled, last = of_flight(flight)
    truth = true_rate(flight, settled.start_s, settled.end_s)
    assert settled.rate_m_s == pytest.approx(truth, rel=0.02)
    assert which_canopies(settled, SHEET).canopies == verdict
    assert last.rate_m_s == pytest.approx(true_rate(flight, last.start_s, last.end_s), abs=4 * last.sigma_m_s + 0.1)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_twin_without_parachutes_falls_under_none(seed: int) -> None:
    flight = fly(Scenario("bare", "no parachute opens", {"recovery.canopy_opens": (False, False)}), seed)
    settled, last = of_flight(flight)
    assert which_canopies(settled, SHEET).canopies == "none"
    assert landing_energy_j(1.02, last.rate_m_s) > 100.0
