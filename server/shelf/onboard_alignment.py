"""An onboard log beside a recording: its clock brought onto the recording's, and what the radio lost told from it.

Both saw the same flight: force along the nose, pressure or height, body rates. `flight.sensors.alignment` finds the one
offset and drift that make them agree, or says why there is none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from protocol.fields import Channel
from server.flight.air.atmosphere import height_from_pressure
from server.flight.sensors.alignment import Alignment, SignalPair, align
from server.review.review import Review, heard
from server.shelf.onboard_log import OnboardLog
from server.telemetry.columns import columns_payload
from server.telemetry.tables import TableSpec

TABLE = "onboard"
# What may be compared: a name, and the roles that carry it, of the recording and of the log alike. Forces and rates of
# the two inertial units are the same to a few percent; a unit is compared with itself first.
COMPARED: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("force along the nose", ("accel.a.z", "accel.b.z")),
    ("pressure", ("pressure",)),
    ("height", ("altitude_baro", "position.up")),
    ("rate about x", ("gyro.a.x", "body_rate.x", "gyro.b.x")),
    ("rate about y", ("gyro.a.y", "body_rate.y", "gyro.b.y")),
    ("rate about z", ("gyro.a.z", "body_rate.z", "gyro.b.z")),
)
LEVELS = frozenset({"pressure", "height"})  # what rests at a level for long, and moves along straight lines
GAP_PERIODS = 1.5


@dataclass(frozen=True)
class Lost:
    """What the radio lost of one role while both spoke: samples due and heard, the longest gap (s), how many missing ones
    the log has."""

    role: str
    due: int
    heard: int
    longest_gap_s: float
    filled: int

    @property
    def share(self) -> float:
        """Share of the samples not heard, 0 to 1."""
        return max(0.0, 1.0 - self.heard / self.due) if self.due else 0.0


def pairs_of(review: Review, log: OnboardLog) -> list[SignalPair]:
    """Return what both saw, the recording as the reference."""
    pairs = []
    for name, roles in COMPARED:
        ours = next(((t, x) for role in roles if (found := heard(review, role)) for t, x in [found]), None)
        theirs = next((column for role in roles if (column := log.of_role(role)) is not None), None)
        same = next((role for role in roles if heard(review, role) and log.of_role(role) is not None), None)
        if same is not None:
            ours, theirs = heard(review, same), log.of_role(same)
        if ours is not None and theirs is not None:
            pairs.append(SignalPair(name, *ours, log.t, theirs.values, name in LEVELS))
    if not any(pair.is_level for pair in pairs):
        pairs += _one_height(review, log)
    return pairs


def _one_height(review: Review, log: OnboardLog) -> list[SignalPair]:
    """Return heights compared where one side tells pressure alone and the other altitude alone, both in standard air."""
    pressure, altitude = log.of_role("pressure"), log.of_role("altitude_baro")
    ours = heard(review, "altitude_baro")
    if ours is not None and pressure is not None:
        return [SignalPair("height", *ours, log.t, height_from_pressure(pressure.values), True)]
    ours = heard(review, "pressure")
    if ours is not None and altitude is not None:
        return [SignalPair("height", ours[0], height_from_pressure(ours[1]), log.t, altitude.values, True)]
    return []


def align_log(review: Review, log: OnboardLog) -> Alignment:
    """Return how the log's clock lies on the recording's timeline, or why that cannot be told."""
    pairs = pairs_of(review, log)
    if not pairs:
        return Alignment(
            refused="the log has no column that the recording has too: force along the nose, pressure, height or body rates"
        )
    return align(pairs)


def what_was_lost(review: Review, log: OnboardLog, alignment: Alignment) -> list[Lost]:
    """Return, for every role both have, what the radio did not bring while both spoke."""
    at = alignment.to_reference(log.t)
    lost = []
    for column in log.columns:
        found = heard(review, column.role) if column.role else None
        if found is None:
            continue
        t = found[0]
        due_hz = review.dictionary.packets[review.dictionary.roles[column.role].packet].rate_hz
        low, high = max(t[0], at[0]), min(t[-1], at[-1])
        t = t[(t >= low) & (t <= high)]
        if due_hz > 0.0 and len(t) > 1:
            lost.append(_lost(column.role, t, due_hz, at[np.isfinite(column.values)]))
    return lost


def _lost(role: str, t: Floats, rate_hz: float, at: Floats) -> Lost:
    gaps = np.diff(t)
    wide = np.flatnonzero(gaps * rate_hz > GAP_PERIODS)
    missing = [t[i] + np.arange(1, round(gaps[i] * rate_hz)) / rate_hz for i in wide]
    moments = np.concatenate(missing) if missing else np.zeros(0)
    filled = 0
    if len(at) and len(moments):
        right = np.clip(np.searchsorted(at, moments), 1, max(len(at) - 1, 1))
        left = np.abs(moments - at[right - 1])
        nearest = np.minimum(left, np.abs(at[np.minimum(right, len(at) - 1)] - moments))
        filled = int(np.sum(nearest <= 0.5 / rate_hz))
    return Lost(role, len(t) + len(moments), len(t), float(gaps.max()), filled)


def rate_hz(log: OnboardLog) -> float:
    """Return how many rows a log has a second."""
    return (len(log.t) - 1) / max(float(log.t[-1] - log.t[0]), 1e-9)


def columns(review: Review, log: OnboardLog, alignment: Alignment) -> bytes:
    """Return the log's columns on the recording's clock, in the form of the recording's own (`columns_payload`).

    There is one table, "onboard"; t is the timeline, rx when the radio would have brought it; both float64, all rows.
    """
    channels = tuple(
        Channel(
            name=column.name,
            packet=TABLE,
            kind="number",
            field_index=0,
            unit=column.unit,
            display_unit=column.unit,
            role=column.role or None,
        )
        for column in log.columns
    )
    spec = TableSpec(TABLE, "The vehicle's own log", False, rate_hz(log), channels)
    t = alignment.to_reference(log.t)
    matrix = np.column_stack([t, _arrival(review, t), *[column.values for column in log.columns]])
    at = alignment.to_reference(np.array([when for when, _ in log.events])).tolist()
    journal: list[dict[str, object]] = [{"t": t, "text": text} for t, (_, text) in zip(at, log.events, strict=True)]
    return columns_payload(review.name, [(spec, 0, matrix, {})], journal)


def _arrival(review: Review, t: Floats) -> Floats:
    """Return session seconds at which moments of the timeline were heard; beyond the ends by the nearest packet's delay."""
    rows = [rows for name, rows in review.output.rows.items() if name in review.dictionary.packets and len(rows)]
    if not rows:
        return t.copy()
    known = np.concatenate([one.t for one in rows])
    rx = np.concatenate([one.rx_s for one in rows])
    known, index = np.unique(known, return_index=True)
    arrival: Floats = t + np.interp(t, known, rx[index] - known)
    return arrival
