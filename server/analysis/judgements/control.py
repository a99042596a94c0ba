"""Control: the gate's conditions, how long control had, and what the fins did to the roll."""

from __future__ import annotations

import numpy as np

from protocol.arrays import Floats
from server.analysis.figures.control import GateFigure, GateFlags, RollFigure, ServoCableFigure
from server.analysis.flight_log import Window, merged
from server.analysis.judgements.air import pad_air
from server.analysis.judgements.case import Case
from server.analysis.roles import VELOCITY
from server.flight.control import gate
from server.flight.control.roll_authority import pressure_share, roll_authority

# Taken for the wind where the site sheet is silent: a breeze in which one still flies. Common practice, no source.
UNKNOWN_WIND_M_S = 5.0
AFTER_RAIL_S = 0.05
UNKNOWN_SHARE = 0.6
# Of the greatest dynamic pressure: with less, near the top and on the rail, fins turn nothing, and what does turn or hold it
# there (an ejection, a fall, the rail) is no push like the others. Our choice.
LEAST_PRESSURE_SHARE = 0.02


def end_of_flight(case: Case) -> float | None:
    """Return when the flight as one body ended: deployment as commanded, else apogee."""
    times = [case.moments[name][0] for name in ("deployment", "separation", "apogee") if name in case.moments]
    return min(times) if times else None


def fins_until(case: Case, end_s: float) -> float:
    """Return until when the fins had their cable: the end of the flight, or an opening of the connector before it."""
    cable = case.figures.get(ServoCableFigure)
    if cable is None or cable.t is None or not cable.is_early:
        return end_s
    return min(end_s, cable.t)


def judge_gate(case: Case) -> GateFigure | None:
    """Return when the control gate was met and how long control had before deployment."""
    start_s, end_s = case.t_of("lift_off"), end_of_flight(case)
    if start_s is None or end_s is None:
        return None
    control = case.window("control", start_s, end_s)
    state = case.window("state", start_s, end_s)
    altitude, speed = _settled(control["control.gate.altitude"]), _settled(control["control.gate.speed"])
    if altitude is None or speed is None:
        return None
    velocity = state.stack(*VELOCITY)
    altitude_met, speed_met, enabled = (
        control[f"control.{name}"] for name in ("gate.altitude_met", "gate.speed_met", "enabled")
    )
    report = gate.judge_gate(
        (control.t, altitude_met, speed_met, enabled),
        (state.t, state["position.up"], np.sqrt((velocity * velocity).sum(axis=1))),
        gate.GateSettings(altitude, speed),
        start_s,
        end_s,
    )
    verdict, reason, last_s = report.verdict, report.reason, fins_until(case, end_s)
    cut_short = verdict == gate.TESTED and last_s < end_s
    return GateFigure(
        t=end_s,
        verdict="cut short" if cut_short else verdict,
        reason_text="the servo connector opened" if cut_short else reason,
        flags=_gate_flags(report),
        gate_for_a_second_m=report.altitude_for_least_m,
        short_of_altitude_m=report.short_of_altitude_m,
        doubts=tuple(doubt.text for doubt in report.doubts),
        fins_until_t=last_s if cut_short else None,
        needed=_needed(report, altitude),
    )


def _gate_flags(report: gate.GateReport) -> GateFlags | None:
    if report.altitude is None or report.speed is None or report.enabled is None:
        return None
    return GateFlags(
        altitude_met_t=report.altitude.first_s,
        speed_met_t=report.speed.first_s,
        enabled_met_t=report.enabled.first_s,
        enabled_s=report.enabled.held_s,
        enabled_least_s=report.enabled.least_s,
        enabled_most_s=report.enabled.most_s,
    )


def _needed(report: gate.GateReport, altitude_m: float) -> str:
    if report.verdict == gate.TESTED:
        return ""
    if report.short_of_altitude_m:
        return f"it flew {report.short_of_altitude_m:.0f} m too low for the gate at {altitude_m:.0f} m"
    if report.altitude_for_least_m is not None and report.altitude_for_least_m < altitude_m:
        return f"a gate at {report.altitude_for_least_m:.0f} m instead of {altitude_m:.0f} m would have given it a second"
    return ""


def _settled(values: Floats) -> float | None:
    """Return the value a setting mostly had, or None when it was not heard."""
    good = values[np.isfinite(values)]
    return float(np.median(good)) if len(good) else None


def _fins(case: Case, start_s: float, end_s: float) -> tuple[Window, list[Floats]]:
    """Return the fins as measured; where nothing measures them, as commanded: the lag then is the servo's as well.

    Fins that come in packets of their own are brought to the times of the first.
    """
    for series in ("fins", "fins_commanded"):
        fins = case.window(series, start_s, end_s)
        fitted = [name for name, column in fins.columns.items() if np.isfinite(column).any()]
        if fitted:
            fins = merged(fins, (fitted[0],))
            return fins, [fins[name] for name in fitted]
    return fins, []


def _between(window: Window, name: str, start_s: float, end_s: float) -> tuple[Floats, Floats]:
    chosen = (window.t >= start_s) & (window.t <= end_s)
    return window.t[chosen], window[name][chosen]


def judge_roll(case: Case) -> RollFigure | None:
    """Return what the fins did to the roll between the rail and the end of the flight as one body."""
    start_s, end_s = case.t_of("rail_exit") or case.t_of("lift_off"), end_of_flight(case)
    if start_s is None or end_s is None:
        return None
    start_s += AFTER_RAIL_S
    end_s = min(end_s, fins_until(case, end_s))  # without their cable the fins' angles are old news
    fins, fitted = _fins(case, start_s, end_s)
    state = case.window("state", start_s, end_s)
    if not fitted or not len(state):
        return None
    velocity, up = state.stack(*VELOCITY), state["position.up"]
    density = pad_air(case).density_at(up)
    pressure = 0.5 * density * (velocity * velocity).sum(axis=1)
    known = np.isfinite(pressure)
    flows = state.t[known][pressure[known] >= LEAST_PRESSURE_SHARE * pressure[known].max()] if known.any() else state.t
    start_s, end_s = float(flows.min()), float(flows.max())
    rates = [_between(state, "body_rate.z", start_s, end_s)]
    rates += [_between(case.window(f"unit_{unit}", start_s, end_s), f"gyro.{unit}.z", start_s, end_s) for unit in "ab"]
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
    return RollFigure(
        t=controlled[0] if controlled is not None else start_s,
        verdict=found.verdict,
        reason_text=found.reason,
        authority_per_pa_rad=found.authority,
        sigma=found.sigma,
        low=found.low,
        high=found.high,
        lag_s=found.lag_s,
        expected=case.facts.roll_authority_per_pa_rad,
    )
