"""The moments of a flight by name, what part of a recording is drawn, and a role as it is shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from protocol.arrays import Floats
from server.review.review import Review
from server.review.summary_shape import Moment, Summary

BEFORE_S, AFTER_S = 5.0, 10.0
ROLL_RATE = ("body_rate.z", "gyro.a.z", "gyro.b.z")  # the first that tells anything
MOMENTS: tuple[tuple[str, str], ...] = (
    ("lift_off_t", "lift-off"),
    ("burnout", "burnout"),
    ("control_enabled_t", "control enabled"),
    ("apogee", "apogee"),
    ("deployment_t", "deployment"),
    ("landing_t", "landing"),
)


def moments_of(summary: Summary) -> dict[str, float]:
    """Return the timeline second of every moment that a summary knows, by name, in order of flight."""
    times = {
        "lift_off_t": summary["lift_off_t"],
        "burnout": _time_of(summary["burnout"]),
        "control_enabled_t": summary["control_enabled_t"],
        "apogee": _time_of(summary["apogee"]),
        "deployment_t": summary["deployment_t"],
        "landing_t": summary["landing_t"],
    }
    return {name: t for key, name in MOMENTS if (t := times[key]) is not None}


def _time_of(moment: Moment | None) -> float | None:
    return None if moment is None else moment["t"]


def span(review: Review, moments: Mapping[str, float]) -> tuple[float, float]:
    """Return from when to when a flight is drawn: around it, or the whole recording when it did not fly."""
    times = [rows.t for rows in review.output.rows.values() if len(rows)]
    low = min((float(t.min()) for t in times), default=0.0)
    high = max((float(t.max()) for t in times), default=0.0)
    if "lift-off" in moments:
        low = max(low, moments["lift-off"] - BEFORE_S)
    if "landing" in moments:
        high = min(high, moments["landing"] + AFTER_S)
    return low, high


def shown_first(review: Review, roles: Sequence[str]) -> tuple[Floats, Floats, str] | None:
    """Return the first of some roles that tells anything, as `shown` has it."""
    for role in roles:
        found = shown(review, role)
        if found is not None and np.isfinite(found[1]).any():
            return found
    return None


def shown(review: Review, role: str) -> tuple[Floats, Floats, str] | None:
    """Return (t, values, unit) of a role in the unit it is shown in; the station's own roles are found too."""
    for name, spec in review.specs.items():
        for channel in spec.columns:
            rows = review.output.rows.get(name)
            if channel.role == role and rows is not None and len(rows):
                t, index = np.unique(rows.t, return_index=True)
                values = np.asarray(rows.columns[channel.name], dtype=np.float64)[index]
                return t, values * channel.display_scale + channel.display_offset, channel.display_unit or channel.unit
    return None
