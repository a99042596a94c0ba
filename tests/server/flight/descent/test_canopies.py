"""Descent rates against the check values, scipy's fit and solve_ivp; verdicts over many seeds and flights of the twin."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from server.flight.air.pad_air import PadAir
from server.flight.descent.canopies import (
    CANNOT_TELL,
    Descent,
    Expected,
    landing_energy_j,
    which_canopies,
)
from server.flight.descent.heights import heights_of
from server.flight.descent.stages import way_down
from server.flight.descent.touchdown import Touchdown, touchdown
from server.twin.scenario import Scenario
from tests.server.flight.twin_flights import Heard, fly, heard

SHEET = Expected(5.4, 8.9)


def settled(t, height, start: float, end: float, sigma: float = 0.3) -> Descent | None:
    """Return the last stage of a fall as the settled descent, as the judgement does."""
    found = way_down(heights_of(t, height, start, end, sigma), PadAir())
    if found is None:
        return None
    last = found.stages[-1]
    return Descent(last.rate_m_s, last.sigma_m_s, last.start_s, last.end_s, last.samples)


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
        found = settled(t, height, 0.0, landing, 0.25)
        off.append((found.rate_m_s - rate) / found.sigma_m_s)
        assert abs(found.rate_m_s - rate) < 0.04 * rate
    assert np.mean(np.abs(off) < 2.0) >= 0.85


@pytest.mark.parametrize(("rate", "verdict"), [(5.4, "both"), (8.9, "one"), (25.0, "none"), (15.0, "none")])
@pytest.mark.parametrize("loss", [0.0, 0.25])
def test_which_canopies_over_twenty_seeds(rate: float, verdict: str, loss: float) -> None:
    for seed in range(20):
        t, height, landing = falling(rate, seed, loss=loss)
        assert which_canopies(settled(t, height, 0.0, landing), SHEET).canopies == verdict


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


def of_flight(flight: Heard) -> tuple[Descent, Touchdown]:
    t, columns = flight.tables["ground_vertical"]
    start, end = flight.truth["separation_s"], flight.truth["landing_s"]
    last = touchdown(heights_of(t, columns["height_raw"], end - 15.0, end + 5.0, 0.4))
    found = settled(t, columns["height_raw"], start, end, 0.4)
    assert found is not None and last is not None
    return found, last


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
    hung, last = of_flight(flight)
    truth = true_rate(flight, hung.start_s, hung.end_s)
    assert hung.rate_m_s == pytest.approx(truth, rel=0.02)
    assert which_canopies(hung, SHEET).canopies == verdict
    assert last.t_s == pytest.approx(flight.truth["landing_s"], abs=0.5)
    end = flight.truth["landing_s"]
    assert last.rate_m_s == pytest.approx(true_rate(flight, end - 3.0, end - 0.2), abs=3 * last.sigma_m_s + 0.1)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_twin_without_parachutes_falls_under_none(seed: int) -> None:
    flight = fly(Scenario("bare", "no parachute opens", {"recovery.canopy_opens": (False, False)}), seed)
    hung, last = of_flight(flight)
    assert which_canopies(hung, SHEET).canopies == "none"
    assert landing_energy_j(1.02, last.rate_m_s) > 100.0
