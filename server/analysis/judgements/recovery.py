"""Coming down: deployment against apogee, the wind by the drift, where it will land, where it was last heard."""

from __future__ import annotations

from math import atan2, hypot, pi

import numpy as np

from server.analysis.judgements.case import Case, Figure
from server.analysis.roles import POSITION
from server.flight.descent.geodesy import Geodetic
from server.flight.descent.recovery import DriftEstimator, delay_after, first_on, last_place

APOGEE_WITHIN_S = 0.05
SEPARATION_LOOK_S = 5.0


def judge_recovery(case: Case) -> list[Figure]:
    """Return delays, drift, wind at 10 m, the landing spot with its 95 % circle, and the last place heard."""
    apogee = case.moments.get("apogee")
    lift_off_s = case.t_of("lift_off")
    if apogee is None or lift_off_s is None:
        return []
    landed = case.moments.get("landing")
    control = case.window("control", lift_off_s, apogee[0] + SEPARATION_LOOK_S)
    body: dict[str, object] = {"t": case.now_s}
    deployment = first_on(control.t, control["deployment"])
    for name, flag in (("deployment", deployment), ("separation", first_on(control.t, control["separation"]))):
        delay = delay_after(apogee[0], APOGEE_WITHIN_S, flag)
        if delay is not None:
            body |= {f"{name}_delay_s": delay.seconds, f"{name}_within_s": delay.within_s, f"{name}_t": flag[0]}
    start_s = deployment[0] if deployment is not None else apogee[0]
    end_s = landed[0] if landed is not None else case.now_s
    state = case.window("state", start_s, end_s)
    columns = [state[name] for name in POSITION]
    descent = DriftEstimator(start_s)
    descent.take(state.t, *columns)
    drift = descent.drift()
    if drift is not None:
        body |= {
            "drift_m_s": hypot(drift.east_m_s, drift.north_m_s),
            "drift_toward_rad": atan2(drift.east_m_s, drift.north_m_s) % (2 * pi),
            "wind_10_m_m_s": hypot(drift.wind_east_m_s, drift.wind_north_m_s),
            "wind_sigma_m_s": drift.wind_sigma_m_s,
        }
    spot = descent.spot() if landed is None else None
    if spot is not None:
        body |= _place_of(spot.east_m, spot.north_m, spot.radius_95_m) | {"landing_in_s": spot.seconds}
    last = case.window("state", start_s, case.now_s)
    known = np.flatnonzero(np.isfinite(last.stack(*POSITION)).all(axis=1)) if len(last) else []
    if len(known):
        body |= _last_heard(case, last.t, last.stack(*POSITION), int(known[-1]), landed is not None, body)
    return [Figure("recovery", "", body)]


def _place_of(east_m: float, north_m: float, radius_m: float) -> dict[str, object]:
    return {
        "landing_east_m": east_m,
        "landing_north_m": north_m,
        "landing_distance_m": hypot(east_m, north_m),
        "landing_bearing_rad": atan2(east_m, north_m) % (2 * pi),
        "landing_radius_m": radius_m,
    }


def _last_heard(
    case: Case, t: np.ndarray, table: np.ndarray, row: int, landed: bool, body: dict[str, object]
) -> dict[str, object]:
    """Return the last place heard, and after landing the landing spot from it."""
    facts = case.facts
    pad = None
    if facts.latitude_deg is not None and facts.longitude_deg is not None:
        pad = Geodetic(facts.latitude_deg, facts.longitude_deg, facts.elevation_m or 0.0)
    east, north, up = table[row].tolist()
    moves = 0.0 if landed else float(body.get("drift_m_s", 0.0))
    place = last_place(pad, (east, north, up), age_s=case.now_s - float(t[row]), drift_m_s=moves)
    if place is None:
        return {}
    out: dict[str, object] = {
        "last_t": float(t[row]),
        "last_distance_m": place.distance_m,
        "last_bearing_deg": place.bearing_deg,
        "last_latitude_deg": place.latitude_deg,
        "last_longitude_deg": place.longitude_deg,
        "last_radius_m": place.radius_95_m,
    }
    return out | (_place_of(east, north, place.radius_95_m) if landed else {})
