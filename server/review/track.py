"""Where a flight went: places in degrees with their UTC, from the vehicle's navigation or its GNSS receiver.

The navigation's are meters from the pad (roles position.east, .north, .up), put on WGS 84 at the site's latitude, longitude
and elevation. Where there is none of it, or no site, the receiver's own (gnss.latitude, gnss.longitude) are taken: they need
no sheet. A moment's UTC is the vehicle's clock laid so that its quickest packet took no time: within some tens of
milliseconds; a receiver is late by up to some tenths besides.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from protocol.arrays import Bools, Floats
from server.analysis.roles import POSITION
from server.analysis.trackers.gnss import PLACE, good_fixes
from server.flight.descent.geodesy import Geodetic, moved
from server.problems import Problem
from server.review.moments import moments_of
from server.review.review import Review, heard
from server.review.summary import summarize
from server.timestamps import NS_PER_S

BEFORE_S, AFTER_S = 5.0, 5.0
TOP_WITHIN_S = 1.0  # of a fix that is to stand for the top; a receiver tells one a second or more
HIGHEST_M = 1e5
SAMPLES = 5
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# What XML 1.0 (fifth edition, production 2) has no form for.
_NO_CHARACTER = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


class NoTrack(Problem):
    """There is no track to write; the text is one plain sentence."""


@dataclass(frozen=True)
class Point:
    """One place of the track: timeline t (s), UTC, degrees, meters above what the track's description says."""

    t: float
    utc: datetime
    latitude_deg: float
    longitude_deg: float
    height_m: float


@dataclass(frozen=True)
class Track:
    """A flight's track, and its moments (lift-off, apogee, landing) as (name, point)."""

    name: str
    description: str
    points: tuple[Point, ...]
    moments: tuple[tuple[str, Point], ...]


@dataclass(frozen=True)
class _Path:
    """Places over time: t (s), shape (n,); latitude, longitude (degrees), height (m), shape (n, 3); and whose they are."""

    t: Floats
    places: Floats
    source: str = ""


def track_of(review: Review) -> Track:
    """Return the track of a session from shortly before lift-off to shortly after landing, or of all of it if it never
    flew. Raises NoTrack."""
    path = _path(review)
    moments = moments_of(summarize(review))
    marks: dict[str, float] = {name: moments[name] for name in ("lift-off", "apogee", "landing") if name in moments}
    kept = np.isfinite(path.places).all(axis=1)
    if "lift-off" in marks:
        kept &= path.t >= marks["lift-off"] - BEFORE_S
    if "landing" in marks:
        kept &= path.t <= marks["landing"] + AFTER_S
    if not kept.any():
        raise NoTrack("This session holds no place that is a number, so there is no track.")
    shift = _utc_shift(review)
    points = tuple(
        _point(shift, at, *place) for at, place in zip(path.t[kept].tolist(), path.places[kept].tolist(), strict=True)
    )
    invented = " Invented: a simulated vehicle." if review.session.header.vehicle.get("simulated") else ""
    return Track(
        _text(review.dictionary.vehicle),
        _text(f"Session {review.name}.{path.source}{invented}"),
        points,
        _marked(points, marks),
    )


def _marked(points: tuple[Point, ...], marks: Mapping[str, float]) -> tuple[tuple[str, Point], ...]:
    """Return the moments on the points nearest in time; the top is none where it was not heard, since it flies on."""
    times = np.array([point.t for point in points])
    nearest = {name: points[int(np.abs(times - at).argmin())] for name, at in marks.items()}
    return tuple(
        (name, point) for name, point in nearest.items() if name != "apogee" or abs(point.t - marks[name]) <= TOP_WITHIN_S
    )


def _path(review: Review) -> _Path:
    roles, site = review.dictionary.roles, _site(review)
    has_position, has_fixes = (all(role in roles for role in group) for group in (POSITION, PLACE))
    if not has_position and not has_fixes:
        raise NoTrack(
            "This vehicle's dictionary has neither position.* nor gnss.latitude and gnss.longitude, so there is no track."
        )
    local = _columns(review, POSITION)
    if local is not None and site is not None:
        return _by_navigation(*local, site)
    fixes = _columns(review, PLACE)
    if fixes is not None:
        return _by_fixes(review, *fixes)
    if local is not None:
        raise NoTrack(
            "The site sheet of this session gives no latitude and longitude (lat_deg, lon_deg), so there is no track."
        )
    raise NoTrack("This session holds no position, so there is no track.")


def _columns(review: Review, roles: tuple[str, ...]) -> tuple[Floats, Floats] | None:
    """Return times (n,) and those roles side by side, None where one of them was not heard.

    They are mostly of one packet; where they are not, they are brought to the first one's times.
    """
    axes = [axis for role in roles if (axis := heard(review, role)) is not None]
    if len(axes) < len(roles):
        return None
    t = axes[0][0]
    return t, np.column_stack([values if len(own_t) == len(t) else np.interp(t, own_t, values) for own_t, values in axes])


def _by_navigation(t: Floats, local: Floats, site: Geodetic) -> _Path:
    kept = np.isfinite(local).all(axis=1)
    kept &= np.abs(np.where(np.isfinite(local), local, np.inf)).max(axis=1) < 1e6
    places = np.full(local.shape, np.nan)
    for row in np.flatnonzero(kept).tolist():
        east, north, up = local[row].tolist()
        place = moved(site, east, north, up)
        places[row] = place.latitude_deg, place.longitude_deg, place.height_m
    return _Path(t, places)


def _by_fixes(review: Review, t: Floats, degrees: Floats) -> _Path:
    """Return the receiver's places, each with the last kind of fix told before it. Raises NoTrack where it had none."""
    fix = np.full(len(t), np.nan)
    told = heard(review, "gnss.fix")
    if told is not None:
        before = np.searchsorted(told[0], t, side="right") - 1
        fix = np.where(before >= 0, told[1][before], np.nan)
    if not np.isfinite(degrees).all(axis=1).any():
        raise NoTrack("This session holds no place that is a number, so there is no track.")
    good: Bools = good_fixes(degrees[:, 0], degrees[:, 1], fix)
    if not good.any():
        raise NoTrack("The GNSS receiver had no fix in this session, so there is no track.")
    height, source = _heights(review, t)
    places = np.column_stack([degrees, height])
    places[~good] = np.nan
    return _Path(t, places, f" The place is as its GNSS receiver tells it; {source}.")


def _heights(review: Review, t: Floats) -> tuple[Floats, str]:
    """Return heights (m) at times and what they are, in words: the receiver's, else the barometer's, else none."""
    told = heard(review, "gnss.height")
    if told is not None and np.isfinite(told[1]).any():
        known = np.isfinite(told[1])
        return np.interp(t, told[0][known], told[1][known]), "its heights are the receiver's, over the sea or the ellipsoid"
    rows = review.output.rows.get("ground_vertical")
    above = np.zeros(0) if rows is None else rows.numbers("height_raw")
    known = np.isfinite(above)
    if rows is None or known.sum() < SAMPLES:
        return np.zeros(len(t)), "no height was heard, so that all of it lies at 0"
    # Raw, since a filter without forces lags in the boost; of a few the middle one, since an ejection's pulse is short.
    order = np.argsort(rows.t[known], kind="stable")
    middles = np.median(np.lib.stride_tricks.sliding_window_view(above[known][order], SAMPLES), axis=1)
    height = np.interp(t, rows.t[known][order][SAMPLES // 2 : -(SAMPLES // 2)], middles)
    elevation_m = _number_within(review.session.header.site.get("elevation_m"), HIGHEST_M)
    if elevation_m is None:
        return height, "its heights are over the pad, by the barometer, since no sheet tells the pad's over the sea"
    return height + elevation_m, "its heights are over the sea, by the barometer from the pad's elevation on the sheet"


def _site(review: Review) -> Geodetic | None:
    site = review.session.header.site
    latitude, longitude = (_number_within(site.get(key), most) for key, most in (("lat_deg", 90.0), ("lon_deg", 180.0)))
    if latitude is None or longitude is None:
        return None
    return Geodetic(latitude, longitude, _number_within(site.get("elevation_m"), HIGHEST_M) or 0.0)


def _number_within(value: object, most: float) -> float | None:
    """Return a sheet's value if it is a number of at most that size, else None."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= most:
        return None
    return float(value)


def _utc_shift(review: Review) -> float:
    """Return what to add to a timeline second to have seconds since 1970, UTC."""
    delays = [
        rows.rx_s - rows.t for name, rows in review.output.rows.items() if name in review.dictionary.packets and len(rows)
    ]
    least = min(float(delay.min()) for delay in delays)
    return review.session.utc_ns(review.session.header.origin_monotonic_ns) / NS_PER_S + least


def _point(shift: float, t: float, latitude: float, longitude: float, height: float) -> Point:
    utc = _EPOCH + timedelta(milliseconds=round(1000.0 * (t + shift)))
    return Point(t, utc, latitude, longitude, height)


def _text(text: str) -> str:
    return _NO_CHARACTER.sub("\N{REPLACEMENT CHARACTER}", text)
