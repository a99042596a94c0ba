"""The inertial units: at rest which one drifts, in flight whether they agree; looked at every two seconds.

Samples wait until the clock unit (B, or A where there is no B) has sent `ROWS` more; then both units' samples heard up to
that row are judged together. So the result does not depend on where batches end.
"""

from __future__ import annotations

from collections.abc import Callable
from math import degrees

import numpy as np

from server.analysis.trackers.found import Found, RoleColumns
from server.flight.sensors.imu_pair import PairChange, PairWatch, PairWindow
from server.flight.sensors.imu_rest import GyroDrift, Samples
from server.telemetry.batch import Batch, Rows
from server.telemetry.journal import JournalEntry

ROWS = 50
KIND_WORDS = {"accel": "acceleration", "gyro": "rates"}
AXES = "xyz"
# Units that agree for a while and part anew are one trouble: the alarm is held for so long. Common practice, no source.
HELD_S = 10.0
ADVICE = "Let the vehicle stand still for a minute and look again; do not fly on a unit that wanders."


UNIT_ROLES = {unit: tuple(f"{kind}.{unit}.{axis}" for kind in ("accel", "gyro") for axis in AXES) for unit in "ab"}
"""The roles of each unit: force, then rates."""


class UnitsTracker:
    """Feeds both units to a `PairWatch`; `flying` tells for frame orders of the last batch whether the vehicle flew."""

    def __init__(self, roles: RoleColumns, flying: Callable[[np.ndarray], np.ndarray]) -> None:
        self._roles, self._flying = roles, flying
        self._fitted = [unit for unit in "ab" if all(role in roles.roles for role in UNIT_ROLES[unit])]
        self._watch = PairWatch()
        self._waiting: dict[str, list[tuple[np.ndarray, ...]]] = {unit: [] for unit in self._fitted}
        self._count = 0
        self._drift: GyroDrift | None = None
        self._agree_from: dict[str, float] = {}  # kind -> since when they agree while that alarm is still held

    def take(self, batch: Batch, out: Found) -> None:
        """Queue a batch's samples and judge at every row that completes `ROWS`."""
        pieces = {unit: self._piece(batch, unit) for unit in self._fitted}
        if not self._fitted:
            return
        clock = self._fitted[-1]
        place = pieces[clock]
        if place is not None:
            rows, orders = place[0], place[1][0]
            first = ROWS - self._count % ROWS - 1
            for row in range(first, len(orders), ROWS):
                self._judge(pieces, int(orders[row]), rows, row, out)
            self._count += len(orders)
        self._keep(pieces, None)

    def _piece(self, batch: Batch, unit: str) -> tuple[Rows, tuple[np.ndarray, ...]] | None:
        """Return a unit's rows and (order, t, values (n, 6), flying, temperature)."""
        found = self._roles.together(batch, UNIT_ROLES[unit])
        if found is None:
            return None
        rows, columns = found
        packet = self._roles.roles[f"accel.{unit}.x"].packet
        warmth = self._roles.columns(rows, (f"imu_temperature.{unit}",), packet)
        temperature = next(iter(warmth.values()), np.full(len(rows), np.nan))
        values = np.column_stack(list(columns.values()))
        return rows, (rows.order, rows.t, values, self._flying(rows.order), temperature)

    def _keep(self, pieces: dict, upto: int | None) -> dict[str, Samples | None]:
        """Move what came up to a frame out of the batch's pieces, together with what waited; None moves all to wait."""
        ready: dict[str, Samples | None] = {}
        for unit, piece in pieces.items():
            if piece is None:
                columns = None
            elif upto is None:
                self._waiting[unit].append(piece[1])
                continue
            else:
                cut = int(np.searchsorted(piece[1][0], upto, side="right"))
                columns = tuple(column[:cut] for column in piece[1])
                pieces[unit] = (piece[0], tuple(column[cut:] for column in piece[1]))
            if upto is not None:
                parts = [*self._waiting[unit], *([columns] if columns is not None else [])]
                self._waiting[unit] = []
                ready[unit] = _samples(parts)
        return ready

    def _judge(self, pieces: dict, order: int, rows: Rows, row: int, out: Found) -> None:
        ready = self._keep(pieces, order)
        windows, changes = self._watch.take(ready.get("a"), ready.get("b"))
        rx_s, t = float(rows.rx_s[row]), float(rows.t[row])
        if windows:
            self._note_windows(order, rx_s, t, windows, out)
        for change in changes:
            self._note_change(order, rx_s, t, change, out)
        for kind in [kind for kind, from_t in self._agree_from.items() if t >= from_t + HELD_S]:
            del self._agree_from[kind]
            text = f"the inertial units agree again in {KIND_WORDS[kind]}"
            out.note(order, JournalEntry(rx_s, t, "alarm", f"units {kind}", "info", text, {"state": "cleared"}))
        drift = self._watch.drift()
        if drift is not None and (self._drift is None or (drift.unit, drift.axis) != (self._drift.unit, self._drift.axis)):
            self._drift = drift
            self._note_drift(order, rx_s, t, drift, out)

    def _note_windows(self, order: int, rx_s: float, t: float, windows: list[PairWindow], out: Found) -> None:
        new = Rows(
            np.full(len(windows), order, dtype=np.int64),
            np.array([window.end_s for window in windows]),
            np.full(len(windows), rx_s),
            np.zeros(len(windows), dtype=bool),
            {
                "force_distance": np.sqrt(np.array([window.distance[0] for window in windows])),
                "rate_distance": np.sqrt(np.array([window.distance[1] for window in windows])),
            },
        )
        old = out.rows.get("ground_units")
        out.rows["ground_units"] = new if old is None else _joined(old, new)

    def _note_change(self, order: int, rx_s: float, t: float, change: PairChange, out: Found) -> None:
        word = KIND_WORDS[change.kind]
        if not change.open:
            self._agree_from[change.kind] = t
            return
        if self._agree_from.pop(change.kind, None) is None:
            text = f"the inertial units disagree in {word}"
            body = {"state": "raised", "advice": ADVICE, "since_t": change.since_s}
            out.note(order, JournalEntry(rx_s, t, "alarm", f"units {change.kind}", "warning", text, body))
        place = 0 if change.kind == "accel" else 1
        suspect = self._drift.unit if self._drift is not None and change.kind == "gyro" else None
        figure = {
            "t": change.since_s,
            "suspect": suspect,
            "reason": f"apart in {word}" + ("" if suspect is None else ", after it drifted at rest"),
            "distance": float(np.sqrt(change.window.distance[place])),
        }
        out.note(order, JournalEntry(rx_s, t, "figure", f"units_{change.kind}", "info", "", figure))

    def _note_drift(self, order: int, rx_s: float, t: float, drift: GyroDrift, out: Found) -> None:
        which = f"inertial unit {drift.unit.upper()}" if drift.unit else "one of the inertial units"
        rate = degrees(drift.rate_rad_s2) * 60.0
        text = f"{which} drifts at rest: rate about {AXES[drift.axis]} wanders by {rate:+.1f} deg/s per minute"
        body = {"state": "raised", "advice": ADVICE}
        out.note(order, JournalEntry(rx_s, t, "alarm", "units drift", "warning", text, body))
        figure = {
            "t": t,
            "suspect": drift.unit,
            "reason": f"its rate about {AXES[drift.axis]} wanders by {rate:+.1f} deg/s per minute at rest",
            "drift_rad_s2": drift.rate_rad_s2,
            "sigma_rad_s2": drift.sigma_rad_s2,
        }
        out.note(order, JournalEntry(rx_s, t, "figure", "units", "info", "", figure))


def _samples(parts: list[tuple[np.ndarray, ...]]) -> Samples | None:
    if not parts:
        return None
    _, t, values, flying, temperature = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Samples(t, values, flying, temperature)


def _joined(one: Rows, two: Rows) -> Rows:
    columns = {name: np.concatenate((one.columns[name], two.columns[name])) for name in one.columns}
    pairs = ((one.order, two.order), (one.t, two.t), (one.rx_s, two.rx_s), (one.late, two.late))
    return Rows(*(np.concatenate(pair) for pair in pairs), columns)
