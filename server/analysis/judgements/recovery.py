"""Coming down: deployment against apogee, the wind by the drift, where it will land, where it was last heard."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import atan2, hypot, pi

import numpy as np

from protocol.arrays import Floats
from server.analysis.figures.descent import (
    DescentFigure,
    DriftUnderCanopy,
    FlagDelay,
    LandingForecast,
    LandingSpot,
    LastHeard,
    OtherHalf,
    RecoveryFigure,
    Whereabouts,
)
from server.analysis.judgements.case import Case
from server.analysis.roles import POSITION
from server.flight.descent.geodesy import Geodetic
from server.flight.descent.parting import bare_half
from server.flight.descent.recovery import (
    DriftEstimator,
    LastPlace,
    Spot,
    best_estimate,
    delay_after,
    estimate_text,
    first_on,
    last_place,
)

APOGEE_WITHIN_S = 0.05
SEPARATION_LOOK_S = 5.0
AROUND_LANDING_S = 0.5  # how far off the moment of landing may be


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
    track = _track(case, start_s, end_s)
    descent = DriftEstimator(start_s)
    descent.take(track.t, *track.position.T)
    drift = _drift_of(descent)
    heard = _track(case, start_s, case.now_s)
    # A place heard in the air is none where it lies: from there its drift still carried it.
    lies_s = None if landed is None or not _is_heard_after(heard, landed[0] - AROUND_LANDING_S) else landed[0]
    spot = descent.spot() if lies_s is None else None
    last = _last_place(case, heard, lies_s, drift)
    return RecoveryFigure(
        t=case.now_s,
        deployment=_delay_of(apogee[0], deployment),
        separation=_delay_of(apogee[0], separation),
        drift=drift,
        forecast=None if spot is None else _forecast_of(spot),
        last=None if last is None else last.told(),
        landed=None if last is None or lies_s is None else last.landing(),
        other=_other_half(case, track, descent),
        whereabouts=_whereabouts_of(last, spot, lies_s is not None),
    )


def _is_heard_after(track: _Track, t: float) -> bool:
    return bool((np.isfinite(track.position).all(axis=1) & (track.t > t)).any())


def _other_half(case: Case, track: _Track, descent: DriftEstimator) -> OtherHalf | None:
    """Return where a part lies that was lost under canopy, None when none was, or no place of it or no wind is known."""
    figure, drift = case.figures.get(DescentFigure), descent.drift()
    if figure is None or figure.parted is None or drift is None:
        return None
    known = np.flatnonzero(np.isfinite(track.position).all(axis=1))
    if not len(known):
        return None
    near = known[int(np.argmin(np.abs(track.t[known] - figure.parted.t)))]
    east, north, up = track.position[near].tolist()
    wind = (drift.wind_east_m_s, drift.wind_north_m_s)
    there_east, there_north, radius = bare_half((east, north, max(up, 0.0)), wind, drift.wind_sigma_m_s)
    return OtherHalf(
        east_m=there_east,
        north_m=there_north,
        distance_m=hypot(there_east, there_north),
        bearing_rad=_bearing_rad(there_east, there_north),
        radius_m=radius,
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


def _forecast_of(spot: Spot) -> LandingForecast:
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


def _whereabouts_of(last: _Heard | None, spot: Spot | None, has_landed: bool) -> Whereabouts | None:
    place, height_m = (None, None) if last is None else (last.place, last.up_m)
    best = best_estimate(place, spot, has_landed=has_landed)
    if best is None:
        return None
    return Whereabouts(
        basis=best.basis.value,
        distance_m=best.distance_m,
        bearing_deg=best.bearing_deg,
        radius_m=best.radius_95_m,
        text=estimate_text(best, height_m),
    )


@dataclass(frozen=True)
class _Heard:
    """The last position heard: timeline s, m from the pad, and as a place."""

    t: float
    east_m: float
    north_m: float
    up_m: float
    place: LastPlace

    def told(self) -> LastHeard:
        """Return it as the last place heard."""
        return LastHeard(
            last_t=self.t,
            last_height_m=self.up_m,
            last_distance_m=self.place.distance_m,
            last_bearing_deg=self.place.bearing_deg,
            last_latitude_deg=self.place.latitude_deg,
            last_longitude_deg=self.place.longitude_deg,
            last_radius_m=self.place.radius_95_m,
        )

    def landing(self) -> LandingSpot:
        """Return it as the place where the vehicle lies."""
        return LandingSpot(
            landing_east_m=self.east_m,
            landing_north_m=self.north_m,
            landing_distance_m=self.place.distance_m,
            landing_bearing_rad=_bearing_rad(self.east_m, self.north_m),
            landing_radius_m=self.place.radius_95_m,
        )


@dataclass(frozen=True)
class _Track:
    """Places from the pad over time: t (s), shape (n,); east, north, up (m), (n, 3); latitude, longitude (degrees), (n, 2).

    The degrees are told by GNSS only, else None.
    """

    t: Floats
    position: Floats
    degrees: Floats | None


def _track(case: Case, start_s: float, stop_s: float) -> _Track:
    """Return the places by the vehicle's navigation where it tells any, else those by GNSS; heights by the barometer there
    where the receiver has none."""
    state = case.window("state", start_s, stop_s)
    position = state.stack(*POSITION)
    gnss = case.window("gnss", start_s, stop_s)
    if np.isfinite(position).all(axis=1).any() or not len(gnss):
        return _Track(state.t, position, None)
    place = gnss.stack("east", "north", "up")
    height = case.window("height", start_s, stop_s)
    known = np.isfinite(height["height"])
    lacking = ~np.isfinite(place[:, 2])
    if known.any() and lacking.any():
        order = np.argsort(height.t[known], kind="stable")
        place[lacking, 2] = np.interp(gnss.t[lacking], height.t[known][order], height["height"][known][order])
    return _Track(gnss.t, place, gnss.stack("latitude", "longitude"))


def _last_place(case: Case, track: _Track, landed_s: float | None, drift: DriftUnderCanopy | None) -> _Heard | None:
    """Return the last position heard, the middle of those heard since it landed; None if there is none."""
    known = np.flatnonzero(np.isfinite(track.position).all(axis=1))
    if not len(known):
        return None
    facts = case.facts
    pad = None
    if facts.latitude_deg is not None and facts.longitude_deg is not None:
        pad = Geodetic(facts.latitude_deg, facts.longitude_deg, facts.elevation_m or 0.0)
    row = int(known[-1])
    t, (east, north, up) = float(track.t[row]), track.position[row].tolist()
    lies = known[-1:] if landed_s is None else known[track.t[known] > landed_s]
    if not len(lies):
        lies = known[-1:]
    if landed_s is not None:
        east, north, up = np.median(track.position[lies], axis=0).tolist()
    moves = 0.0 if landed_s is not None or drift is None else drift.drift_m_s
    place = last_place(pad, (east, north, up), age_s=case.now_s - t, drift_m_s=moves)
    if place is not None and track.degrees is not None:
        latitude, longitude = np.median(track.degrees[lies], axis=0).tolist()
        place = replace(place, latitude_deg=latitude, longitude_deg=longitude)
    return None if place is None else _Heard(t, east, north, up, place)
