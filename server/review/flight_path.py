"""Where a flight went, from its pad, for the pictures of a report: east, north, up in meters, and the nose's direction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from server.analysis.roles import POSITION, QUATERNION
from server.analysis.trackers.gnss import PLACE, good_fixes
from server.flight.descent.geodesy import Geodetic, seen_from
from server.flight.motion.attitude import nose_direction
from server.review.review import Review, heard

FARTHEST_M = 1e5


@dataclass(frozen=True)
class FlightPath:
    """Times (n,) in timeline s, places (n, 3) in m east, north and up of the pad; nose (m, 3) at times nose_t (m,)."""

    t: Floats
    places: Floats
    nose_t: Floats
    nose: Floats

    def at(self, t: float) -> tuple[float, float, float]:
        """Return the place at a time, between its neighbors."""
        east, north, up = (float(np.interp(t, self.t, self.places[:, axis])) for axis in range(3))
        return east, north, up


def flight_path(review: Review, start: float, stop: float) -> FlightPath | None:
    """Return the path from `start` to `stop` (timeline s) by the vehicle's navigation, else by its GNSS receiver.

    A receiver's places are from its own first one; its heights are the ground's by the barometer. None: nothing tells it.
    """
    found = _by_navigation(review) or _by_receiver(review)
    if found is None:
        return None
    t, places = found
    kept = np.isfinite(places).all(axis=1) & (t >= start) & (t <= stop)
    kept &= np.abs(np.where(np.isfinite(places), places, np.inf)).max(axis=1) < FARTHEST_M
    if kept.sum() < 3:
        return None
    nose_t, nose = _nose(review, start, stop)
    return FlightPath(t[kept], places[kept], nose_t, nose)


def _columns(review: Review, roles: tuple[str, ...]) -> tuple[Floats, Floats] | None:
    axes = [axis for role in roles if (axis := heard(review, role)) is not None]
    if len(axes) < len(roles):
        return None
    t = axes[0][0]
    return t, np.column_stack([values if len(own) == len(t) else np.interp(t, own, values) for own, values in axes])


def _by_navigation(review: Review) -> tuple[Floats, Floats] | None:
    found = _columns(review, POSITION)
    return found if found is not None and np.isfinite(found[1]).all(axis=1).any() else None


def _by_receiver(review: Review) -> tuple[Floats, Floats] | None:
    found = _columns(review, PLACE)
    rows = review.output.rows.get("ground_vertical")
    if found is None or rows is None:
        return None
    t, degrees = found
    good = good_fixes(degrees[:, 0], degrees[:, 1], np.full(len(t), np.nan))
    known = np.isfinite(rows.numbers("height_raw"))
    if good.sum() < 3 or not known.any():
        return None
    t, degrees = t[good], degrees[good]
    pad = Geodetic(float(degrees[0, 0]), float(degrees[0, 1]), 0.0)
    flat = [seen_from(pad, Geodetic(latitude, longitude, 0.0))[:2] for latitude, longitude in degrees.tolist()]
    up = np.interp(t, rows.t[known], rows.numbers("height_raw")[known])
    return t, np.column_stack([np.array(flat), up])


def _nose(review: Review, start: float, stop: float) -> tuple[Floats, Floats]:
    found = _columns(review, QUATERNION)
    if found is None:
        return np.zeros(0), np.zeros((0, 3))
    t, parts = found
    kept = np.isfinite(parts).all(axis=1) & (t >= start) & (t <= stop)
    return t[kept], np.column_stack(nose_direction(*parts[kept].T))
