"""Coming down: deployment against apogee, the wind by the drift, where it will land, where it was last heard."""

from __future__ import annotations

from math import atan2, hypot, pi

import numpy as np

from server.analysis.figures.descent import (
    DriftUnderCanopy,
    FlagDelay,
    LandingForecast,
    LandingSpot,
    LastHeard,
    RecoveryFigure,
)
from server.analysis.flight_log import Window
from server.analysis.judgements.case import Case
from server.analysis.roles import POSITION
from server.flight.descent.geodesy import Geodetic
from server.flight.descent.recovery import DriftEstimator, delay_after, first_on, last_place

APOGEE_WITHIN_S = 0.05
SEPARATION_LOOK_S = 5.0


def judge_recovery(case: Case) -> RecoveryFigure | None:
    """Return delays, drift, wind at 10 m, the landing spot with its 95 % circle, and the last place heard."""
    apogee = case.moments.get("apogee")
    lift_off_s = case.t_of("lift_off")
    if apogee is None or lift_off_s is None:
        return None
    landed = case.moments.get("landing")
    control = case.window("control", lift_off_s, apogee[0] + SEPARATION_LOOK_S)
    deployment = first_on(control.t, control["deployment"])
    separation = first_on(control.t, control["separation"])
    start_s = deployment[0] if deployment is not None else apogee[0]
    end_s = landed[0] if landed is not None else case.now_s
    state = case.window("state", start_s, end_s)
    descent = DriftEstimator(start_s)
    descent.take(state.t, *(state[name] for name in POSITION))
    drift = _drift_of(descent)
    last, spot = _last_heard(case, case.window("state", start_s, case.now_s), landed is not None, drift)
    return RecoveryFigure(
        t=case.now_s,
        deployment=_delay_of(apogee[0], deployment),
        separation=_delay_of(apogee[0], separation),
        drift=drift,
        forecast=_forecast_of(descent) if landed is None else None,
        last=last,
        landed=spot,
    )


def _delay_of(apogee_s: float, flag: tuple[float, float] | None) -> FlagDelay | None:
    delay = delay_after(apogee_s, APOGEE_WITHIN_S, flag)
    return None if delay is None or flag is None else FlagDelay(delay_s=delay.seconds, within_s=delay.within_s, t=flag[0])


def _drift_of(descent: DriftEstimator) -> DriftUnderCanopy | None:
    drift = descent.drift()
    if drift is None:
        return None
    return DriftUnderCanopy(
        drift_m_s=hypot(drift.east_m_s, drift.north_m_s),
        drift_toward_rad=_bearing_rad(drift.east_m_s, drift.north_m_s),
        wind_10_m_m_s=hypot(drift.wind_east_m_s, drift.wind_north_m_s),
        wind_sigma_m_s=drift.wind_sigma_m_s,
    )


def _forecast_of(descent: DriftEstimator) -> LandingForecast | None:
    spot = descent.spot()
    if spot is None:
        return None
    return LandingForecast(
        landing_east_m=spot.east_m,
        landing_north_m=spot.north_m,
        landing_distance_m=hypot(spot.east_m, spot.north_m),
        landing_bearing_rad=_bearing_rad(spot.east_m, spot.north_m),
        landing_radius_m=spot.radius_95_m,
        landing_in_s=spot.seconds,
    )


def _bearing_rad(east: float, north: float) -> float:
    return atan2(east, north) % (2 * pi)


def _last_heard(
    case: Case, state: Window, landed: bool, drift: DriftUnderCanopy | None
) -> tuple[LastHeard | None, LandingSpot | None]:
    """Return the last place heard, and after landing the landing spot from it."""
    table = state.stack(*POSITION)
    known = np.flatnonzero(np.isfinite(table).all(axis=1))
    if not len(known):
        return None, None
    facts = case.facts
    pad = None
    if facts.latitude_deg is not None and facts.longitude_deg is not None:
        pad = Geodetic(facts.latitude_deg, facts.longitude_deg, facts.elevation_m or 0.0)
    t, (east, north, up) = float(state.t[known[-1]]), table[known[-1]].tolist()
    moves = 0.0 if landed or drift is None else drift.drift_m_s
    place = last_place(pad, (east, north, up), age_s=case.now_s - t, drift_m_s=moves)
    if place is None:
        return None, None
    last = LastHeard(
        last_t=t,
        last_distance_m=place.distance_m,
        last_bearing_deg=place.bearing_deg,
        last_latitude_deg=place.latitude_deg,
        last_longitude_deg=place.longitude_deg,
        last_radius_m=place.radius_95_m,
    )
    if not landed:
        return last, None
    spot = LandingSpot(
        landing_east_m=east,
        landing_north_m=north,
        landing_distance_m=hypot(east, north),
        landing_bearing_rad=_bearing_rad(east, north),
        landing_radius_m=place.radius_95_m,
    )
    return last, spot
