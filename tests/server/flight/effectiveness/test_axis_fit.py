"""Effects of fins about three axes on flights of the simulated vehicle's own equations; their derivative is the truth."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.optimize import least_squares as scipy_least_squares

from server.flight.control import colored_push
from server.flight.control.roll_authority import EFFECTIVE, NOT_EXCITED, REVERSED, WEAK
from server.flight.effectiveness.axis_fit import Heard, fit_axis, moving
from server.flight.effectiveness.effect import SIGN_ONLY, Effect, effect_of
from server.flight.effectiveness.modes import AXES, even_places, mixing
from tests.accuracy.control_flights import Flown, Plan, fly, heard_of, mode_truth


@cache
def flown(kind: str, **plan: float) -> Flown:
    return fly(2, Plan(kind, **plan))


def told(flight: Flown, axis: str, **how: bool) -> Effect:
    fit = fit_axis(heard_of(flight, axis, **how), axis)
    assert fit is not None
    return effect_of(fit, AXES.index(axis), axis)


@pytest.mark.parametrize("axis", AXES)
def test_three_axes_that_were_moved_are_told(axis: str) -> None:
    flight = flown("three axes", amplitude_rad=0.12, torque_rad_s2=0.3)
    true = mode_truth(flight)[AXES.index(axis), AXES.index(axis)]
    effect = told(flight, axis)
    assert effect.low <= true <= effect.high
    assert effect.value == pytest.approx(true, rel=0.2)
    assert effect.verdict in (EFFECTIVE, SIGN_ONLY) and effect.reversed_odds < 1e-3


def test_commanded_fins_serve_where_nothing_measures_them() -> None:
    flight = flown("three axes", amplitude_rad=0.12, torque_rad_s2=0.3, is_smooth=True)
    fit = fit_axis(heard_of(flight, "yaw", is_commanded=True), "yaw")
    assert fit is not None and 0.02 <= fit.lag_s <= 0.06  # the servo's is 0.03 s
    effect = effect_of(fit, 2, "yaw")
    assert effect.low <= mode_truth(flight)[2, 2] <= effect.high


@pytest.mark.parametrize("kind", ["rest", "roll"])
@pytest.mark.parametrize("axis", ["pitch", "yaw"])
def test_what_did_not_move_is_not_excited(kind: str, axis: str) -> None:
    effect = told(flown(kind), axis)
    assert effect.verdict == NOT_EXCITED and effect.moved_rad < 0.002 and not np.isfinite(effect.value)


def test_a_weak_fin_is_told_from_the_others() -> None:
    flight = flown("each fin", amplitude_rad=0.1, torque_rad_s2=0.3, each=(1.0, 1.0, 0.3, 1.0))
    fit = fit_axis(heard_of(flight, "roll", each=True), "roll")
    assert fit is not None
    true = flight.fins_true[:, 2]
    assert all(low <= one <= high for low, one, high in zip(fit.low, true, fit.high, strict=True))
    assert fit.high[2] < min(fit.low[[0, 1, 3]])


@pytest.mark.parametrize("seed", [2, 4, 6])
def test_a_reversal_is_found_with_its_odds(seed: int) -> None:
    flight = fly(seed, Plan("roll", share=-0.3))
    fit = fit_axis(heard_of(flight, "roll"), "roll")
    assert fit is not None
    effect = effect_of(fit, 0, "roll", expected=0.39)
    assert effect.verdict == REVERSED and effect.reversed_odds > 0.999


def test_the_scatter_of_the_fins_sensors_does_not_hide_their_effect() -> None:
    """In closed loop the fins hardly move: their sensors' scatter made the effect look a third smaller."""
    shares, bare, held = [], [], 0
    for seed in (2, 6, 8, 10):
        flight = fly(seed, Plan("roll", torque_rad_s2=0.9, share=0.4))
        heard, true = heard_of(flight, "roll"), mode_truth(flight)[0, 0]
        for into, one in ((shares, heard), (bare, replace(heard, fin_noise=None))):
            fit = fit_axis(one, "roll")
            assert fit is not None
            into.append(fit.value[0] / true)
            held += into is shares and bool(fit.low[0] <= true <= fit.high[0])
    print(f"with the scatter taken out {np.round(shares, 2)}, without {np.round(bare, 2)}")
    assert held >= 3 and np.mean(shares) > np.mean(bare) + 0.1


def test_too_little_is_none() -> None:
    heard = heard_of(flown("three axes", amplitude_rad=0.12, torque_rad_s2=0.3), "pitch")
    assert fit_axis(replace(heard, motion=None), "pitch") is None
    nothing = (np.zeros(0), np.zeros((0, 3)))
    assert fit_axis(replace(heard, rates=[nothing]), "pitch") is None
    assert fit_axis(replace(heard, fins=nothing), "pitch") is None
    spinning = [(t, values + [0.0, 0.0, 40.0]) for t, values in heard.rates]
    assert fit_axis(replace(heard, rates=spinning), "pitch") is None


# ---------------------------------------------------------------- against an independent library


def test_the_same_as_an_output_error_fit_by_scipy() -> None:
    """Both find what made the motion: dr/dt = b Q d + c Q - k sqrt(Q) r (tests/SOURCES.md, output-error)."""
    b, c, k = 0.31, 0.0021, 0.043
    t = np.arange(0.0, 3.0, 0.01)
    q = 1800.0 * np.exp(-0.5 * t)
    angle = 0.05 * np.sin(2.0 * np.pi * 1.3 * t) + 0.03 * np.sin(2.0 * np.pi * 0.6 * t + 1.0)

    def rates(wanted: np.ndarray) -> np.ndarray:
        rate = np.zeros(t.size)
        for i in range(1, t.size):  # Heun's method
            first, last = (wanted[0] * q[j] * angle[j] + wanted[1] * q[j] for j in (i - 1, i))
            slope = first - wanted[2] * np.sqrt(q[i - 1]) * rate[i - 1]
            ahead = rate[i - 1] + 0.01 * slope
            rate[i] = rate[i - 1] + 0.005 * (slope + last - wanted[2] * np.sqrt(q[i]) * ahead)
        return rate

    measured = rates(np.array([b, c, k]))
    output_error = scipy_least_squares(lambda wanted: rates(wanted) - measured, [0.1, 0.0, 0.01]).x
    body = np.stack([np.zeros(t.size), np.zeros(t.size), measured], axis=1)
    fit = fit_axis(Heard([(t, body)], (t, angle[:, None]), (t, q)), "roll")
    assert fit is not None and output_error == pytest.approx([b, c, k], rel=1e-3)
    assert [fit.value[0], fit.setting, fit.damping] == pytest.approx(output_error, rel=0.01)


def test_the_corrected_moments_are_those_of_the_closed_form() -> None:
    """One column with scatter: b = x'y / (x'x - n s2), the naive one smaller (tests/SOURCES.md, errors-in-variables)."""
    rng = np.random.default_rng(3)
    true = rng.standard_normal(4000)
    x, y = true + 0.5 * rng.standard_normal(4000), 2.0 * true + 0.1 * rng.standard_normal(4000)
    rows = np.stack([x, y], axis=1)
    naive = colored_push.least_squares(rows, 1, 3999)
    mended = colored_push.least_squares(rows, 1, 3999, np.array([[4000 * 0.25]]))
    assert naive is not None and mended is not None
    assert mended[0][0] == pytest.approx(x @ y / (x @ x - 1000.0), rel=1e-12)
    assert naive[0][0] == pytest.approx(2.0 / 1.25, rel=0.05) and mended[0][0] == pytest.approx(2.0, rel=0.05)
    assert colored_push.least_squares(rows, 1, 3999, np.array([[0.6 * float(x @ x)]])) is None


# ---------------------------------------------------------------- modes and verdicts


def test_the_modes_are_the_twins() -> None:
    """Each mode about its own axis with a positive sign, and none about another."""
    truth = mode_truth(flown("rest"))
    assert (np.diag(truth) > 0.0).all()
    assert np.abs(truth - np.diag(np.diag(truth))).max() < 1e-9
    assert even_places(3) == pytest.approx(np.radians([0.0, 120.0, 240.0]))
    assert np.ones(3) @ mixing(even_places(3)) == pytest.approx([1.0, 0.0, 0.0], abs=1e-12)


def test_only_what_moves_on_its_own_is_used() -> None:
    rng = np.random.default_rng(1)
    first = 0.05 * rng.standard_normal(200)
    alike = np.stack([first, 1.01 * first, 0.05 * rng.standard_normal(200)], axis=1)
    used, moved = moving(alike)
    assert len(used) == 2 and 2 in used
    assert moved[2] == pytest.approx(0.05, rel=0.2) and min(moved[:2]) < 1e-9


def test_verdicts() -> None:
    fit = fit_axis(heard_of(flown("each fin", amplitude_rad=0.1, torque_rad_s2=0.3), "roll"), "roll")
    assert fit is not None
    assert effect_of(fit, 0, "roll", expected=2.0).verdict == WEAK
    assert effect_of(fit, 0, "roll", expected=-0.4).verdict == REVERSED
    doubtful = effect_of(fit, 0, "roll", pressure_share=0.2)
    assert doubtful.low < fit.low[0] < fit.high[0] < doubtful.high
    wide = replace(fit, low=fit.value - 0.5 * abs(fit.value), high=fit.value + 0.5 * abs(fit.value))
    assert effect_of(wide, 0, "roll").verdict == SIGN_ONLY
    both = replace(fit, low=-fit.value, high=3.0 * fit.value)
    assert effect_of(both, 0, "roll").verdict == NOT_EXCITED
