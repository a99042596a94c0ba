"""What an inertial unit sent, made fit for integrating, and where it is not to be believed: range ends, gaps, stuck values.

Nothing of it is passed over: whoever integrates stops where a rate was at its end, since how fast it really turned nobody
knows, and takes no velocity from where a force was. Ends of range are those of usual sensors, or values that stand flat at
their greatest. Limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, radians

import numpy as np

from protocol.arrays import Bools, Floats
from server.flight.inertial.turning import GAP_FACTOR, usual_step_s

# Ends of usual gyros, deg/s. Common practice.
RATE_SCALES_DEG_S = (125.0, 245.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)
SCALE_SHARE = 0.004
FLAT_SAMPLES = 3
LEAST_FLAT_RAD_S = 1.0  # a vehicle on its rail turns at a rate that stands still as well: at none
STUCK_SAMPLES = 6
GAP_S = 0.15  # shorter ones are bridged without a word
CLIPPED, STUCK, GAP = "clipped", "stuck", "gap"
KINDS = ("accelerometer", "gyro")
AXES = "xyz"


@dataclass(frozen=True)
class Trouble:
    """A stretch in which a unit is not to be believed: what it is, of which sensor and axis ("": all), from when to when."""

    kind: str
    sensor: str
    axis: str
    from_s: float
    until_s: float

    def words(self) -> str:
        """Return it as a person reads it, without the moment."""
        of = f"{self.sensor} {self.axis}".strip()
        return {
            CLIPPED: f"the {of} was at the end of its range",
            STUCK: f"the {of} stood still",
            GAP: f"nothing was heard for {self.until_s - self.from_s:.1f} s",
        }[self.kind]


@dataclass(frozen=True)
class Unit:
    """Samples in order of time, all finite: times (n,), force (n, 3) m/s2, rates (n, 3) rad/s; and what is wrong with them.

    Attitude can be had until `rates_until_s`, velocity until `force_until_s`; infinite where nothing speaks against it.
    """

    t: Floats
    force: Floats
    rates: Floats
    troubles: tuple[Trouble, ...]
    rates_until_s: float
    force_until_s: float


def unit_of(
    t: Floats, force: Floats, rates: Floats, from_s: float, until_s: float, burns_until_s: float = -inf
) -> Unit | None:
    """Return a unit's samples, cleaned, with the troubles between two times (the flight); None where too little was heard.

    While it burns, from `from_s` to `burns_until_s`, the push inside a gap could be any, so that velocity ends there.

    `force` is infinite where it is known to be at an end of its range, NaN where a row has none (packets of their own): then
    it is taken from its neighbors. Repeated and late rows are put in order of time.
    """
    t = np.asarray(t, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(rates).all(axis=1)
    if good.sum() < FLAT_SAMPLES:
        return None
    at, first = np.unique(t[good], return_index=True)
    turned = rates[good][first]
    felt = np.column_stack([_filled(at, t, force[:, axis]) for axis in range(3)])
    if not np.isfinite(felt).all():
        return None
    known, place = np.unique(t[np.isfinite(t)], return_index=True)
    raw = force[np.isfinite(t)][place]
    flying = (at >= from_s) & (at <= until_s)
    troubles = _clipped_rates(at, turned, flying)
    troubles += _clipped_force(known, raw, (known >= from_s) & (known <= until_s))
    troubles += _stuck(at, turned, felt, flying)
    # A moment later nothing new can have been lost.
    long = np.flatnonzero((np.diff(at) > max(GAP_S, GAP_FACTOR * usual_step_s(at))) & flying[1:])
    troubles += [Trouble(GAP, "unit", "", float(at[k]), float(at[k + 1])) for k in long]
    ends = {sensor: min((one.from_s for one in troubles if one.sensor == sensor), default=inf) for sensor in KINDS}
    in_burn = [one.from_s for one in troubles if one.kind == GAP and one.until_s > from_s and one.from_s < burns_until_s]
    ends["push"] = min(in_burn, default=inf)
    ordered = tuple(sorted(troubles, key=lambda one: one.from_s))
    return Unit(at, felt, turned, ordered, ends["gyro"], min(ends.values()))


def _filled(at: Floats, t: Floats, values: Floats) -> Floats:
    """Return values at the times `at`, from the finite ones of (t, values)."""
    known = np.isfinite(values) & np.isfinite(t)
    if not known.any():
        return np.full(len(at), np.nan)
    own, first = np.unique(t[known], return_index=True)
    filled: Floats = np.interp(at, own, values[known][first])
    return filled


def _clipped_rates(t: Floats, rates: Floats, flying: Bools) -> list[Trouble]:
    found = []
    scales = np.radians(RATE_SCALES_DEG_S)
    for axis in range(3):
        size = np.abs(rates[:, axis])
        near = (np.abs(size[:, None] - scales) < SCALE_SHARE * scales).any(axis=1)
        top = (size >= 0.999 * size[flying].max(initial=0.0)) & (size > LEAST_FLAT_RAD_S) & flying
        for begin, end in runs(near & flying & repeats(rates[:, axis], 2)):
            found.append(Trouble(CLIPPED, "gyro", AXES[axis], float(t[begin]), float(t[end - 1])))
        if not found or found[-1].axis != AXES[axis]:
            for begin, end in runs(top & repeats(rates[:, axis], FLAT_SAMPLES)):
                found.append(Trouble(CLIPPED, "gyro", AXES[axis], float(t[begin]), float(t[end - 1])))
    return found


def _clipped_force(t: Floats, force: Floats, flying: Bools) -> list[Trouble]:
    return [
        Trouble(CLIPPED, "accelerometer", AXES[axis], float(t[begin]), float(t[end - 1]))
        for axis in range(3)
        for begin, end in runs(np.isinf(force[:, axis]) & flying)
    ]


def _stuck(t: Floats, rates: Floats, force: Floats, flying: Bools) -> list[Trouble]:
    """Return where all three axes of a sensor repeat bit for bit in flight: no sensor is so still."""
    found = []
    for sensor, values in zip(KINDS, (force, rates), strict=True):
        same = np.logical_and.reduce([repeats(values[:, axis], STUCK_SAMPLES) for axis in range(3)])
        for begin, end in runs(same & flying):
            found.append(Trouble(STUCK, sensor, "", float(t[begin]), float(t[end - 1])))
    return found


def repeats(values: Floats, many: int) -> Bools:
    """Return which values, shape (n,), belong to a run of at least so many equal ones."""
    out = np.zeros(len(values), dtype=bool)
    edges = np.flatnonzero(np.concatenate([[True], values[1:] != values[:-1], [True]]))
    for begin, end in zip(edges[:-1], edges[1:], strict=True):
        out[begin:end] = end - begin >= many
    return out


def runs(chosen: Bools) -> list[tuple[int, int]]:
    """Return the stretches of true values, each as (first, one past the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], chosen, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def rate_at_an_end(rate_rad_s: float) -> bool:
    """Return whether a rate is where usual gyros end."""
    scales = [radians(scale) for scale in RATE_SCALES_DEG_S]
    return any(abs(abs(rate_rad_s) - scale) < SCALE_SHARE * scale for scale in scales)
