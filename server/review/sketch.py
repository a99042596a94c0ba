"""A flight's height as a few dozen numbers, small enough to come with the list of all recordings."""

from __future__ import annotations

import numpy as np

from server.review.moments import moments_of, shown_first
from server.review.review import Review
from server.review.summary_shape import Summary

POINTS = 40
BEFORE_S, AFTER_S = 1.0, 2.0
ROLES = ("ground.height", "altitude_baro", "position.up")


def height_sketch(review: Review, summary: Summary) -> list[float | None] | None:
    """Return `POINTS` heights (m, whole) from just before lift-off to just after landing, evenly in time.

    The greatest of each stretch, so that the top is in it; None for a stretch in which nothing was heard. None instead of
    the list where it did not fly or no height is told.
    """
    moments = moments_of(summary)
    heard = shown_first(review, ROLES)
    if "lift-off" not in moments or heard is None:
        return None
    t, heights, _ = heard
    start = moments["lift-off"] - BEFORE_S
    stop = moments["landing"] + AFTER_S if "landing" in moments else float(t[-1])
    good = np.isfinite(heights) & (t >= start) & (t <= stop)
    if stop <= start or not good.any():
        return None
    place = np.minimum(((t[good] - start) / (stop - start) * POINTS).astype(np.int64), POINTS - 1)
    greatest = np.full(POINTS, -np.inf)
    np.maximum.at(greatest, place, heights[good])
    return [round(float(one)) if np.isfinite(one) else None for one in greatest]
