"""Control: the gate's conditions, how long control had, and what the fins did to the roll."""

from __future__ import annotations

import numpy as np

from server.analysis.judgements.case import Case, Figure
from server.flight.control.gate import GateReport, GateSettings, judge_gate
from server.flight.control.roll_authority import pressure_share, roll_authority

FINS = tuple(f"fin[{n}].measured" for n in range(1, 5))
# Dry air, sea level, standard day (1976 standard atmosphere, check_values 5.1); the pad's own is taken when it is told.
SEA_LEVEL_DENSITY_KG_M3 = 1.225
DENSITY_SCALE_M = 9000.0
# Taken for the wind where the site sheet is silent: a breeze in which one still flies. Common practice, no source.
UNKNOWN_WIND_M_S = 5.0
AFTER_RAIL_S = 0.05
UNKNOWN_SHARE = 0.6
SPEEDS = ("velocity.east", "velocity.north", "velocity.up")


def end_of_flight(case: Case) -> float | None:
    """Return when the flight as one body ended: deployment as commanded, else apogee."""
    times = [case.moments[name][0] for name in ("deployment", "separation", "apogee") if name in case.moments]
    return min(times) if times else None


def fins_until(case: Case, end_s: float) -> float:
    """Return until when the fins had their cable: the end of the flight, or an opening of the connector before it."""
    cable = case.figures.get("servo_cable")
    early = cable is not None and str(cable["kind"]).startswith("before")
    return min(end_s, float(cable["t"])) if early else end_s


def judge_gate_figure(case: Case) -> list[Figure]:
    """Return when the control gate was met and how long control had before deployment."""
    start_s, end_s = case.t_of("lift_off"), end_of_flight(case)
    if start_s is None or end_s is None:
        return []
    control = case.window("control", start_s, end_s)
    state = case.window("state", start_s, end_s)
    altitude, speed = _settled(control["control.gate.altitude"]), _settled(control["control.gate.speed"])
    if altitude is None or speed is None:
        return []
    velocity = state.stack(*SPEEDS)
    flags = tuple(control[f"control.{name}"] for name in ("gate.altitude_met", "gate.speed_met", "enabled"))
    report = judge_gate(
        (control.t, *flags),
        (state.t, state["position.up"], np.sqrt((velocity * velocity).sum(axis=1))),
        GateSettings(altitude, speed),
        start_s,
        end_s,
    )
    body: dict[str, object] = {"t": end_s, "verdict": report.verdict, "reason_text": report.reason}
    for name in ("altitude", "speed", "enabled"):
        flag = getattr(report, name)
        if flag is not None:
            body[f"{name}_met_t"] = flag.first_s
            if name == "enabled":
                body |= {"enabled_s": flag.held_s, "enabled_least_s": flag.least_s, "enabled_most_s": flag.most_s}
    body |= {"gate_for_a_second_m": report.altitude_for_least_m, "short_of_altitude_m": report.short_of_altitude_m}
    if report.doubts:
        body["doubts"] = [doubt.text for doubt in report.doubts]
    last_s = fins_until(case, end_s)
    if report.verdict == "tested" and last_s < end_s:
        body |= {"verdict": "cut short", "reason_text": "the servo connector opened", "fins_until_t": last_s}
    needed = _needed(report, altitude)
    return [Figure("gate", "", body | ({"needed": needed} if needed else {}))]


def _needed(report: GateReport, altitude_m: float) -> str:
    if report.verdict == "tested":
        return ""
    if report.short_of_altitude_m:
        return f"it flew {report.short_of_altitude_m:.0f} m too low for the gate at {altitude_m:.0f} m"
    if report.altitude_for_least_m is not None and report.altitude_for_least_m < altitude_m:
        return f"a gate at {report.altitude_for_least_m:.0f} m instead of {altitude_m:.0f} m would have given it a second"
    return ""


def _settled(values: np.ndarray) -> float | None:
    """Return the value a setting mostly had, or None when it was not heard."""
    good = values[np.isfinite(values)]
    return float(np.median(good)) if len(good) else None


def judge_roll(case: Case) -> list[Figure]:
    """Return what the fins did to the roll between the rail and the end of the flight as one body."""
    start_s, end_s = case.t_of("rail_exit") or case.t_of("lift_off"), end_of_flight(case)
    if start_s is None or end_s is None:
        return []
    start_s += AFTER_RAIL_S
    end_s = min(end_s, fins_until(case, end_s))  # without their cable the fins' angles are old news
    fins = case.window("fins", start_s, end_s)
    fitted = [column for column in (fins[name] for name in FINS) if np.isfinite(column).any()]
    state = case.window("state", start_s, end_s)
    if not fitted or not len(state):
        return []
    velocity, up = state.stack(*SPEEDS), state["position.up"]
    density = SEA_LEVEL_DENSITY_KG_M3 * np.exp(-(up + (case.facts.elevation_m or 0.0)) / DENSITY_SCALE_M)
    pressure = 0.5 * density * (velocity * velocity).sum(axis=1)
    rates = [(state.t, state["body_rate.z"])]
    for unit in "ab":
        window = case.window(f"unit_{unit}", start_s, end_s)
        rates.append((window.t, window[f"gyro.{unit}.z"]))
    controlled = case.moments.get("control_enabled")
    speeds = np.sqrt((velocity * velocity).sum(axis=1))
    busy = speeds[state.t >= controlled[0]] if controlled is not None else speeds
    busy = busy[np.isfinite(busy)]
    wind = max(UNKNOWN_WIND_M_S, case.facts.wind_m_s or 0.0)
    share = pressure_share(wind, float(np.median(busy))) if len(busy) else UNKNOWN_SHARE
    found = roll_authority(
        rates,
        (fins.t, np.mean(fitted, axis=0)),
        (state.t, pressure),
        expected=case.facts.roll_authority_per_pa_rad,
        pressure_sigma_share=min(share, UNKNOWN_SHARE),
    )
    body = {
        "t": case.moments["control_enabled"][0] if "control_enabled" in case.moments else start_s,
        "verdict": found.verdict,
        "reason_text": found.reason,
        "authority_per_pa_rad": found.authority,
        "sigma": found.sigma,
        "low": found.low,
        "high": found.high,
        "lag_s": found.lag_s,
        "expected": case.facts.roll_authority_per_pa_rad,
    }
    return [Figure("roll", "", body)]
