"""The control gate on paths in closed form, with flags lost and wrong, and on flights of the twin."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from server.flight.control.gate import (
    NEVER,
    NO_TEST,
    NOT_HEARD,
    TESTED,
    GateReport,
    GateSettings,
    control_time_s,
    judge_gate,
)
from tests.server.flight.twin_windows import Heard, heard, thinned

G = 9.80665
SETTINGS = GateSettings(altitude_m=110.0, speed_m_s=15.0)


def thrown(speed_m_s: float, end_s: float, every_s: float = 0.05) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times, height and speed of a body thrown straight up in a vacuum."""
    t = np.arange(0.0, end_s + 1e-9, every_s)
    return t, speed_m_s * t - 0.5 * G * t * t, np.abs(speed_m_s - G * t)


def flags_of(path: tuple, settings: GateSettings, every_s: float = 0.1, phase_s: float = 0.03) -> tuple:
    """Return the flags a vehicle with the latching rule sends along a path."""
    t = np.arange(phase_s, path[0][-1], every_s)
    high = np.interp(t, path[0], path[1]) >= settings.altitude_m
    fast = np.interp(t, path[0], path[2]) >= settings.speed_m_s
    on, enabled = False, []
    for a, b in zip(high, fast, strict=True):
        on = bool(b and (on or a))
        enabled.append(on)
    return t, high.astype(float), fast.astype(float), np.array(enabled, dtype=float)


def judged(path: tuple, settings: GateSettings = SETTINGS, **more: float) -> GateReport:
    return judge_gate(flags_of(path, settings, **more), path, settings, 0.0, float(path[0][-1]))


def test_a_throw_in_closed_form() -> None:
    """Thrown at 60 m/s: 110 m is passed at the root of 60 t - g t^2/2, 15 m/s is lost at 45/g."""
    path = thrown(60.0, 6.2)
    found = judged(path)
    met = brentq(lambda t: 60.0 * t - 0.5 * G * t * t - 110.0, 0.0, 5.0)
    lost = 45.0 / G
    assert found.verdict == TESTED
    assert abs(found.altitude.first_s - met) <= found.altitude.first_within_s + 1e-9 <= 0.0501
    assert found.altitude.lost_s is None
    assert abs(found.speed.lost_s - lost) <= found.speed.lost_within_s + 1e-9
    assert found.enabled.least_s <= lost - met <= found.enabled.most_s
    assert found.enabled.held_s == pytest.approx(lost - met, abs=0.1)
    # A higher gate would still have given a second, up to the height one second before the speed is lost.
    last = lost - 1.0
    assert found.altitude_for_least_m == pytest.approx(60.0 * last - 0.5 * G * last**2, abs=0.6)
    assert found.speed_for_least_m_s == pytest.approx(60.0 - G * (met + 1.0), abs=0.2)
    assert (found.short_of_altitude_m, found.short_of_speed_m_s, found.later_deployment_s) == (0.0, 0.0, 0.0)
    assert found.doubts == ()


def test_control_cut_short_by_deployment() -> None:
    met = brentq(lambda t: 60.0 * t - 0.5 * G * t * t - 110.0, 0.0, 5.0)
    path = thrown(60.0, met + 0.4)
    found = judged(path)
    assert found.verdict == NO_TEST and "needed" in found.reason
    assert found.later_deployment_s == pytest.approx(0.6, abs=0.1)
    early = float(path[0][-1]) - 1.0
    assert found.altitude_for_least_m == pytest.approx(60.0 * early - 0.5 * G * early**2, abs=0.6)
    assert found.speed_for_least_m_s is None


def test_a_flight_that_stays_low() -> None:
    path = thrown(40.0, 4.0)
    found = judged(path)
    assert found.verdict == NEVER
    assert found.short_of_altitude_m == pytest.approx(110.0 - 40.0**2 / (2 * G), abs=0.05)
    assert found.short_of_speed_m_s is None and found.later_deployment_s is None
    assert found.altitude.first_s is None and found.enabled.held_s == 0.0
    last = 25.0 / G - 1.0
    assert found.altitude_for_least_m == pytest.approx(40.0 * last - 0.5 * G * last**2, abs=0.6)


def test_high_but_slow() -> None:
    settings = GateSettings(altitude_m=180.0, speed_m_s=25.0)
    found = judged(thrown(60.0, 6.2), settings)
    assert found.verdict == NEVER
    assert found.short_of_speed_m_s == pytest.approx(25.0 - math.sqrt(60.0**2 - 2 * G * 180.0), abs=0.15)
    assert found.short_of_altitude_m == 0.0


@pytest.mark.parametrize("latches", [True, False])
def test_control_time_against_the_rule_step_by_step(latches: bool) -> None:
    rng = np.random.default_rng(7)
    for _ in range(200):
        height, speed = rng.uniform(0.0, 2.0, 30), rng.uniform(0.0, 2.0, 30)
        on, count = False, 0
        for h, v in zip(height, speed, strict=True):
            on = bool(v >= 1.0 and ((on and latches) or h >= 1.0))
            count += on
        settings = GateSettings(1.0, 1.0, altitude_latches=latches)
        assert control_time_s(height, speed, 0.1, settings) == pytest.approx(0.1 * count)


def test_bounds_hold_whatever_is_lost() -> None:
    met = brentq(lambda t: 60.0 * t - 0.5 * G * t * t - 110.0, 0.0, 5.0)
    truth = 45.0 / G - met
    path = thrown(60.0, 6.2)
    for seed in range(60):
        rng = np.random.default_rng(seed)
        heard_flags = thinned(flags_of(path, SETTINGS, phase_s=rng.uniform(0.0, 0.1)), rng.uniform(0.0, 0.25), rng)
        found = judge_gate(heard_flags, thinned(path, 0.25, rng), SETTINGS, 0.0, 6.2)
        assert found.verdict == TESTED
        assert found.enabled.least_s - 1e-9 <= truth <= found.enabled.most_s + 1e-9
        assert found.enabled.held_s == pytest.approx(truth, abs=0.3)
        assert found.doubts == ()


def test_claims_without_cover_are_named() -> None:
    path = thrown(60.0, 6.2)
    t, high, fast, enabled = flags_of(path, SETTINGS)
    early = np.where((t > 0.5) & (t < 0.9), 1.0, enabled)
    found = judge_gate((t, high, fast, early), path, SETTINGS, 0.0, 6.2)
    texts = {doubt.text for doubt in found.doubts}
    assert texts == {"enabled while the altitude condition was not met", "enabled more than 3 m below the gate altitude"}
    assert found.doubts[0].from_s == pytest.approx(0.53) and found.doubts[0].to_s == pytest.approx(0.83)
    late = np.where(t > 5.2, 1.0, enabled)
    texts = {doubt.text for doubt in judge_gate((t, high, fast, late), path, SETTINGS, 0.0, 6.2).doubts}
    assert texts == {"enabled while the speed condition was not met", "enabled more than 1.5 m/s below the gate speed"}
    # All flags lie together: only the ground's own height tells.
    lying = (t, np.ones(t.size), np.ones(t.size), np.where(t < 1.0, 1.0, 0.0))
    texts = {doubt.text for doubt in judge_gate(lying, path, SETTINGS, 0.0, 6.2).doubts}
    assert texts == {"enabled more than 3 m below the gate altitude"}


def test_nothing_or_rubbish_gives_an_answer() -> None:
    path = thrown(60.0, 6.2)
    none = np.zeros(0)
    found = judge_gate((none, none, none, none), path, SETTINGS, 0.0, 6.2)
    assert found.verdict == NOT_HEARD and found.altitude_for_least_m is not None
    assert judge_gate((none,) * 4, (none,) * 3, SETTINGS, 0.0, 6.2).altitude_for_least_m is None
    clean = judged(path)
    t, high, fast, enabled = flags_of(path, SETTINGS)
    rubbish = tuple(np.concatenate([column, [np.nan, column[3], np.inf]]) for column in (t, high, fast, enabled))
    dirty_path = tuple(np.concatenate([[np.inf, np.nan], column, column[2:4]]) for column in path)
    assert judge_gate(rubbish, dirty_path, SETTINGS, 0.0, float(path[0][-1])) == clean


# ---------------------------------------------------------------- the twin


def of_twin(flight: Heard, loss: float = 0.0) -> GateReport:
    rng = np.random.default_rng(3)
    flags = flight.columns("control", "gate_altitude_met", "gate_speed_met", "enabled")
    t, up, *velocity = flight.columns("navigation", "up", "vel_east", "vel_north", "vel_up")
    state = (t, up, np.linalg.norm(velocity, axis=0))
    truth = flight.truth
    flags, state = thinned(flags, loss, rng), thinned(state, loss, rng)
    return judge_gate(flags, state, SETTINGS, truth["liftoff_s"], truth["deployment_s"])


@pytest.mark.parametrize(("scenario", "verdict"), [("calm", TESTED), ("gusty-rail", NO_TEST)])
def test_flights_of_the_twin(scenario: str, verdict: str) -> None:
    flight = heard(scenario, 1)
    truth = flight.truth
    for loss in (0.0, 0.2):
        found = of_twin(flight, loss)
        assert found.verdict == verdict
        assert abs(found.enabled.first_s - truth["control_enabled_s"]) <= found.enabled.first_within_s + 0.011
        assert found.doubts == ()
    if scenario == "gusty-rail":
        held = truth["deployment_s"] - truth["control_enabled_s"]
        assert of_twin(flight).enabled.held_s == pytest.approx(held, abs=0.1)
        lower = of_twin(flight).altitude_for_least_m
        again = heard(scenario, 1, {"control.gate_altitude_m": lower}).truth
        assert again["deployment_s"] - again["control_enabled_s"] == pytest.approx(1.0, abs=0.15)
