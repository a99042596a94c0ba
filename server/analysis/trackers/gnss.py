"""Where the vehicle is by its GNSS receiver: east, north, up of where it stood last on the pad, in the plane there."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection
from math import nan

import numpy as np

from protocol.arrays import Bools, Floats
from server.analysis.trackers.output import TrackerOutput
from server.analysis.trackers.role_columns import Flying, RoleColumns
from server.design.sheet_numbers import SheetNumbers
from server.flight.descent.geodesy import Geodetic, seen_from
from server.telemetry.batch import Batch, Rows

PLACE = ("gnss.latitude", "gnss.longitude")
MORE = ("gnss.height", "gnss.fix", "gnss.accuracy")
PAD_FIX = 3.0  # with height: what a receiver tells before it has one may lie kilometers off
PAD_ACCURACY_M = 10.0  # our choice: a place to walk from


BLOCK_S, BLOCKS = 5.0, 12  # of the pad's fixes: a minute, so that a vehicle carried there switched on counts from there


class PadFix:
    """Where it stands: the median of the means of the last blocks of good fixes, so that no single one counts much.

    Up to a second of the climb falls into the last block before a flight is seen; a median does not mind.
    """

    def __init__(self) -> None:
        self._block: list[Geodetic] = []
        self._since_s = 0.0
        self._means: deque[Geodetic] = deque(maxlen=BLOCKS)
        self.place: Geodetic | None = None

    def take(self, t: float, fix: Geodetic) -> None:
        """Take one good fix on the pad at a time (s)."""
        if not self._block:
            self._since_s = t
        self._block.append(fix)
        if t - self._since_s >= BLOCK_S:
            self._means.append(_middle(self._block, np.mean))
            self._block = []
            self.place = _middle(self._means, np.median)
        elif not self._means:
            self.place = _middle(self._block, np.mean)


def _middle(fixes: Collection[Geodetic], of: Callable[..., np.floating]) -> Geodetic:
    table = np.array([(fix.latitude_deg, fix.longitude_deg, fix.height_m) for fix in fixes])
    return Geodetic(*(float(of(column)) for column in table.T))


class GnssTracker:
    """Turns fixes into meters from the pad; without a fix on the pad, from the site its sheet tells."""

    def __init__(self, roles: RoleColumns, facts: SheetNumbers, flying: Flying) -> None:
        self._roles, self._flying = roles, flying
        self._pad = PadFix()
        self._has_flown = False
        self._site: Geodetic | None = None
        if facts.latitude_deg is not None and facts.longitude_deg is not None:
            self._site = Geodetic(facts.latitude_deg, facts.longitude_deg, nan)  # over sea or ellipsoid: not told

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Compute the rows of a batch."""
        found = self._roles.together(batch, PLACE)
        if found is None:
            return
        rows, columns = found
        columns = columns | self._roles.columns(rows, MORE, self._roles.roles[PLACE[0]].packet)
        unknown = np.full(len(rows), nan)
        height = columns.get("gnss.height", unknown)
        flies = self._flying(rows.order)
        fix, accuracy = columns.get("gnss.fix", unknown), columns.get("gnss.accuracy", unknown)
        good = good_fixes(columns[PLACE[0]], columns[PLACE[1]], fix)
        flown = np.logical_or.accumulate(flies) | self._has_flown if len(flies) else flies
        self._has_flown = bool(flown.any())
        sure = good & ~flown & ~(fix < PAD_FIX) & ~(accuracy > PAD_ACCURACY_M)
        table = np.full((len(rows), 5), nan)
        for row in np.flatnonzero(good).tolist():
            here = Geodetic(float(columns[PLACE[0]][row]), float(columns[PLACE[1]][row]), float(height[row]))
            if sure[row]:
                self._pad.take(float(rows.t[row]), here)
            origin = self._pad.place or (self._site if flown[row] else None)
            if origin is not None:
                table[row] = *_meters(origin, here), here.latitude_deg, here.longitude_deg
        names = ("east", "north", "up", "latitude", "longitude")
        out.rows["ground_gnss"] = Rows(
            rows.order, rows.t, rows.rx_s, rows.late, {name: table[:, i].copy() for i, name in enumerate(names)}
        )


def good_fixes(latitude: Floats, longitude: Floats, fix: Floats) -> Bools:
    """Tell which rows hold a place (degrees): in range, a fix where that is told, and not the zeros sent before it."""
    with np.errstate(invalid="ignore"):
        there = (np.abs(latitude) <= 90.0) & (np.abs(longitude) <= 180.0)
        zeros = (latitude == 0.0) & (longitude == 0.0)
        good: Bools = there & ~zeros & ~(fix < 1.0)
    return good


def _meters(origin: Geodetic, here: Geodetic) -> tuple[float, float, float]:
    """Return east, north and the difference of heights (m); that is not a number where one of them has none."""
    level = Geodetic(here.latitude_deg, here.longitude_deg, 0.0)
    base = Geodetic(origin.latitude_deg, origin.longitude_deg, 0.0)
    east, north, _ = seen_from(base, level)
    return east, north, here.height_m - origin.height_m
