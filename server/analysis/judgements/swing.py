"""The swing of the nose after the rail: period and damping, against what the vehicle's sheet lets expect."""

from __future__ import annotations

import numpy as np

from server.analysis.figures.ascent import ConeFigure, ExpectedSwing, MeasuredSwing, SwingFigure
from server.analysis.judgements.air import pad_air
from server.analysis.judgements.case import Case
from server.analysis.roles import QUATERNION, VELOCITY
from server.design.sheet_numbers import SheetNumbers
from server.flight.airframe.barrowman import cross_section_m2
from server.flight.airframe.oscillation import (
    USUAL_SOFTENING_PER_RAD,
    USUAL_START_HEIGHT_M,
    Oscillation,
    body_softening_per_rad,
    compared,
    expected_frequency_hz,
    oscillation,
)
from server.flight.motion.cone import ROUND, TURNS, WIDE_RAD, WINDOW_S

LOOK_S = 2.5
# A cone counts while the fins still grip, and when it was seen this many times in a row. Common practice, no source.
FAST_M_S = 20.0
LASTING_ROWS = 8
MOST_SOFTENING_PER_RAD = 3.0  # a nearly neutral vehicle's share has no bound; beyond this no swing is left to measure


def judge_swing(case: Case) -> SwingFigure | None:
    """Return the fitted swing at the speed it was measured at, and the expected period there; or why there is none."""
    start_s = case.t_of("rail_exit")
    if start_s is None:
        return None
    state = case.window("state", start_s - 0.2, start_s + LOOK_S + 0.2)
    if not np.isfinite(state.stack(*QUATERNION)).any():
        return SwingFigure(excited=False, reason="no attitude was heard after the rail")
    if not np.isfinite(state.stack(*VELOCITY)).any():
        return SwingFigure(excited=False, reason="no speed by the vehicle's navigation was heard after the rail")
    found = oscillation(
        state.t,
        state.stack(*QUATERNION),
        state.stack(*VELOCITY),
        start_s,
        start_s + LOOK_S,
        softening_per_rad=_softening_per_rad(case.facts),
        start_height_m=case.facts.rail_length_m or USUAL_START_HEIGHT_M,
    )
    if not isinstance(found, Oscillation):
        return SwingFigure(excited=False, reason=found.reason)
    speed = found.speed_m_s
    height = case.window("height", found.start_s, found.end_s)["height"]
    measured = MeasuredSwing(
        speed_m_s=speed,
        period_s=found.period_s(speed),
        period_low_s=found.period_s(speed) * found.wave_number_1_m / found.wave_high_1_m,
        period_high_s=found.period_s(speed) * found.wave_number_1_m / max(found.wave_low_1_m, 1e-9),
        damping_ratio=found.damping_ratio,
        damping_low=found.damping_low,
        damping_high=found.damping_high,
        amplitude_rad=found.amplitude_rad,
        height_m=float(height.mean()) if len(height) else 0.0,
    )
    return SwingFigure(
        t=found.start_s,
        end_t=found.end_s,
        excited=found.excited,
        measured=measured,
        expected=_expected(case, found, speed, measured.height_m),
    )


def judge_cone(case: Case) -> ConeFigure | None:
    """Return the widest lasting corkscrew of the way up, while it still flew fast; nothing when there was none."""
    start_s, end_s = case.t_of("rail_exit") or case.t_of("lift_off"), case.t_of("apogee")
    if start_s is None or end_s is None:
        return None
    motion = case.window("motion", start_s, end_s)
    angle, turns, round_ = motion["cone"], motion["cone_turns"], motion["cone_round"]
    with np.errstate(invalid="ignore"):
        is_cone = (angle > WIDE_RAD) & (round_ > ROUND) & (np.abs(turns) * WINDOW_S > TURNS) & (motion["speed"] > FAST_M_S)
    if len(is_cone) < LASTING_ROWS or not (np.convolve(is_cone, np.ones(LASTING_ROWS), "valid") >= LASTING_ROWS).any():
        return None
    at = int(np.where(is_cone, angle, -1.0).argmax())
    return ConeFigure(t=float(motion.t[at]), half_angle_rad=float(angle[at]), turns_per_s=float(turns[at]))


def _softening_per_rad(f: SheetNumbers) -> float:
    """Return what the body's lift takes of the stiffness, by the sheet or the usual."""
    diameter, length, lift, slope = f.diameter_m, f.length_m, f.body_lift, f.normal_force_slope
    gravity, pressure_center = f.center_of_gravity_m, f.center_of_pressure_m
    if diameter is None or length is None or lift is None or slope is None or gravity is None or pressure_center is None:
        return USUAL_SOFTENING_PER_RAD
    if not pressure_center > gravity:
        return USUAL_SOFTENING_PER_RAD
    by_cross_section = lift * length * diameter / cross_section_m2(diameter)
    share = body_softening_per_rad(by_cross_section, gravity, 0.5 * length, slope, pressure_center - gravity)
    return min(max(share, 0.0), MOST_SOFTENING_PER_RAD)


def _expected(case: Case, found: Oscillation, speed_m_s: float, height_m: float) -> ExpectedSwing | None:
    """Return the undamped period by the sheet's center of pressure, slope and inertia, and measured over expected."""
    f = case.facts
    diameter, slope, inertia = f.diameter_m, f.normal_force_slope, f.lateral_inertia_kg_m2
    gravity, pressure_center = f.center_of_gravity_m, f.center_of_pressure_m
    if diameter is None or slope is None or inertia is None or gravity is None or pressure_center is None:
        return None
    density = float(pad_air(case).density_at(height_m))
    lever = pressure_center - gravity
    q = 0.5 * density * speed_m_s**2
    hertz = expected_frequency_hz(q, cross_section_m2(diameter), slope, lever, inertia)
    if not hertz > 0.0:
        return None
    ratio = compared(found, hertz, speed_m_s)
    # Of frequencies; the page and the finding speak of periods.
    return ExpectedSwing(
        expected_period_s=1.0 / hertz,
        ratio=1.0 / ratio.ratio,
        ratio_low=1.0 / ratio.high,
        ratio_high=1.0 / ratio.low if ratio.low > 0.0 else None,
    )
