"""The last position a recording heard: a fact, which says where to begin, and only on the ground where to end."""

from __future__ import annotations

from math import hypot

import numpy as np

from server.analysis.roles import POSITION
from server.flight.descent.geodesy import bearing_deg
from server.flight.descent.recovery import away_text
from server.review.review import Review


def last_heard_text(review: Review) -> str | None:
    """Return the last whole position heard, from the pad and above it, in words; None when there was none."""
    for name, spec in review.specs.items():
        names = {channel.role: channel.name for channel in spec.columns}
        rows = review.output.rows.get(name)
        if rows is None or not all(role in names for role in POSITION):
            continue
        table = np.column_stack([rows.numbers(names[role]) for role in POSITION])
        known = np.flatnonzero(np.isfinite(table).all(axis=1))
        if len(known):
            east, north, up = table[known[np.argmax(rows.t[known])]].tolist()
            return f"{away_text(hypot(east, north), bearing_deg(east, north))}, {up:.0f} m up"
    return None
