"""The swing of the nose after the rail: period and damping, against what the vehicle's sheet lets expect."""

from __future__ import annotations

from math import exp, pi

from server.flight.oscillation import Oscillation, compared, expected_frequency_hz, oscillation
from server.followers.motion import QUATERNION, VELOCITY
from server.judgements.case import Case, Figure

SEA_LEVEL_DENSITY_KG_M3 = 1.225
DENSITY_SCALE_M = 9000.0
LOOK_S = 2.5


def judge_swing(case: Case) -> list[Figure]:
    """Return the fitted swing at the speed it was measured at, and the expected period there; or why there is none."""
    start_s = case.t_of("rail_exit")
    if start_s is None:
        return []
    state = case.window("state", start_s - 0.2, start_s + LOOK_S + 0.2)
    found = oscillation(state.t, state.stack(*QUATERNION), state.stack(*VELOCITY), start_s, start_s + LOOK_S)
    if not isinstance(found, Oscillation):
        return [Figure("swing", "", {"excited": False, "reason": found.reason})]
    speed = found.speed_m_s
    body: dict[str, object] = {
        "t": found.start_s,
        "end_t": found.end_s,
        "excited": found.excited,
        "speed_m_s": speed,
        "period_s": found.period_s(speed),
        "period_low_s": found.period_s(speed) * found.wave_number_1_m / found.wave_high_1_m,
        "period_high_s": found.period_s(speed) * found.wave_number_1_m / max(found.wave_low_1_m, 1e-9),
        "damping_ratio": found.damping_ratio,
        "damping_low": found.damping_low,
        "damping_high": found.damping_high,
        "amplitude_rad": found.amplitude_rad,
    }
    height = case.window("height", found.start_s, found.end_s)["height"]
    body["height_m"] = float(height.mean()) if len(height) else 0.0
    return [Figure("swing", "", body | _expected(case, found, speed, float(body["height_m"])))]


def _expected(case: Case, found: Oscillation, speed_m_s: float, height_m: float) -> dict[str, object]:
    """Return the undamped period by the sheet's center of pressure, slope and inertia, and measured over expected."""
    f = case.facts
    told = (f.diameter_m, f.normal_force_slope, f.center_of_gravity_m, f.center_of_pressure_m, f.lateral_inertia_kg_m2)
    if None in told:
        return {}
    diameter, slope, gravity, pressure_center, inertia = told
    density = SEA_LEVEL_DENSITY_KG_M3 * exp(-((f.elevation_m or 0.0) + height_m) / DENSITY_SCALE_M)
    lever = pressure_center - gravity
    q = 0.5 * density * speed_m_s**2
    hertz = expected_frequency_hz(q, pi * diameter**2 / 4.0, slope, lever, inertia)
    if not hertz > 0.0:
        return {}
    ratio = compared(found, hertz, speed_m_s)
    # Of frequencies; the page and the finding speak of periods.
    return {
        "expected_period_s": 1.0 / hertz,
        "ratio": 1.0 / ratio.ratio,
        "ratio_low": 1.0 / ratio.high,
        "ratio_high": 1.0 / ratio.low if ratio.low > 0.0 else None,
    }
