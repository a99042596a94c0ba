"""Do two inertial units agree in flight? A statistical distance over windows of `WINDOW` samples, not a bare threshold.

Unit A is brought to B's instants by straight lines (the packets come about 10 ms apart); the difference, less the difference
learned on the pad (`imu_rest`), is judged in two ways for force and for rates:

    distance   d' S^-1 d of the window's median difference d (three axes): chi-square with 3 degrees of freedom if the units
               agree (P. C. Mahalanobis, "On the generalised distance in statistics", 1936). S adds up noise, straight-line
               error, and what honest units differ by
    scatter    the median absolute deviation of the differences over that of a normal variable of the expected size
               (1.4826 MAD, any textbook of robust statistics): a unit that has become noisy

Alignment and scale of B against A are estimated on the way: difference = M (value - value at rest), each row of M by least
squares (any textbook of statistics) from how the differences follow the values *within* a window, which no shift of bias
does, and from `M_SIGMA` around zero: 3 degrees of mounting or 5 % of scale. What M cannot explain is judged, with the doubt
left in M; a window that disagrees teaches nothing. M excuses and never accuses: what two units differ by as they are, taken
for honest ones, is judged as well, and the smaller distance counts, since a few swings under a canopy may teach a wrong M.

A distance counts only where the difference, less two sigmas, matters: rates that turn the attitude by `MATTERS_RAD` over an
ascent of `ASCENT_S`, a force that tilts the vertical by as much.

While the motor thrusts, scatter is not judged: two units shake each with its own place on the board. What they shake by
widens the median's doubt, there and elsewhere.

Medians, because a shock of ejection or landing lasts less than one sample and hits one unit's sample only. A median of n
normal samples scatters like a mean of 2 n / pi. What honest units differ by, one sigma, common practice, no source: 1 % of
scale or crossed axes, `LEVER_M` between them, `FORCE_SHIFT_M_S2` and `RATE_SHIFT_RAD_S` of bias under vibration.

`FAR` is exceeded by chance once in 10^6 windows and sensors, `LOUD` more rarely: about 2e-4 false windows in a flight of a
minute and a half, and `PairWatch` raises after two in a row.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from protocol.arrays import Floats, Ints
from protocol.units import GRAVITY_M_S2
from server.flight.sensors.imu_rest import (
    ASCENT_S,
    MATTERS_RAD,
    NO_SENSOR_SAYS,
    GyroDrift,
    RestStatistics,
    Samples,
    UnitAtRest,
    drift_of,
)

WINDOW = 25
LONGEST_GAP_S = 0.09  # of unit A around a sample of B: one lost packet
LONGEST_WINDOW_S = 3.0
SCALE = 0.01
LEVER_M = 0.1
FORCE_SHIFT_M_S2, RATE_SHIFT_RAD_S = 0.05, 0.002
CURVED = 0.25  # straight-line error in the middle, as a share of the step across
STAMP_S = 0.002
FAR = 30.66  # chi-square, 3 degrees of freedom, 1e-6
LOUD = 3.0
M_SIGMA = 0.055
ALIKE = 4.0
THRUSTS_M_S2 = 15.0
RAISE_WINDOWS, CLEAR_WINDOWS = 2, 5
KINDS = ("accel", "gyro")
MATTERS = (GRAVITY_M_S2 * MATTERS_RAD, MATTERS_RAD / ASCENT_S)  # m/s2, rad/s


@dataclass(frozen=True)
class PairWindow:
    """One window: its times, and for force and rates (in this order) distance, scatter, and the median B - A by axis."""

    start_s: float
    end_s: float
    distance: tuple[float, float]
    scatter: tuple[float, float]
    apart: tuple[float, ...]  # six: force (m/s2) and rates (rad/s), pad difference taken off
    apart_sigma: tuple[float, ...]
    surely_apart: tuple[float, float]  # m/s2 and rad/s: what is left of it after alignment, scale and two sigmas

    def disagrees(self, kind: int) -> bool:
        """Tell whether force (0) or rates (1) disagree."""
        return (self.distance[kind] > FAR and self.surely_apart[kind] > MATTERS[kind]) or self.scatter[kind] > LOUD


@dataclass(frozen=True)
class PairChange:
    """Force ("accel") or rates ("gyro") of the two units were found to disagree (`open`), or agree again."""

    t_s: float
    kind: str
    open: bool
    since_s: float
    window: PairWindow


class PairWatch:
    """Feed both units' samples in order, in arrays of any length; windows and changes come out the same in any cut."""

    def __init__(self) -> None:
        self.rest = {"a": RestStatistics(), "b": RestStatistics()}
        self.windows = 0
        self.open: dict[str, float] = {}
        self._known: tuple[UnitAtRest, UnitAtRest] | None = None
        self._mounting = (_Mounting(), _Mounting())
        self._a = _Queue()
        self._b = _Queue()
        self._pairs = np.zeros((0, _PAIR))
        self._runs = {kind: [0, 0, 0.0] for kind in KINDS}  # windows in a row apart, in agreement, start of the first apart

    def take(self, a: Samples | None = None, b: Samples | None = None) -> tuple[list[PairWindow], list[PairChange]]:
        """Return the windows that became complete and what was raised or ended by them.

        Samples of either unit in order of time, in pieces of any length; the result does not depend on how they are cut.
        """
        (told,) = self.in_turns(a, b, [(_count(a), _count(b))])
        return told

    def in_turns(
        self, a: Samples | None, b: Samples | None, cuts: Iterable[tuple[int, int]]
    ) -> Iterator[tuple[list[PairWindow], list[PairChange]]]:
        """Give what `take` would of the samples up to the first cut (of A, of B), then of those up to the next, and so on.

        `drift` between two of them is that of then. What does not depend on the cuts is computed once for all of them.
        """
        feeds = (_Feed(a, self.rest["a"], self._a), _Feed(b, self.rest["b"], self._b))
        for cut in cuts:
            for feed, upto in zip(feeds, cut, strict=True):
                feed.give(upto)
            if not self._b.count or not self._a.count:
                yield [], []
                continue
            self._join()
            windows = self._full_windows()
            yield windows, [change for window in windows for change in self._judge(window)]

    def drift(self) -> GyroDrift | None:
        """Return what is known of a gyro's drift at rest (rad/s2), None while nothing is sure."""
        return drift_of(self.rest["a"].result(), self.rest["b"].result())

    def _join(self) -> None:
        """Bring A to the instants of B as far as A has been heard, and keep what the next call needs."""
        ta, a = self._a.arrays()
        tb, b = self._b.arrays()
        ready = int(np.searchsorted(tb, ta[-1], side="right"))
        after = np.searchsorted(ta, tb[:ready], side="left")
        fits = after > 0
        high, low = after[fits], after[fits] - 1
        gap = ta[high] - ta[low] if len(high) else np.zeros(0)
        near = gap <= LONGEST_GAP_S
        high, low, gap, own = high[near], low[near], gap[near], np.flatnonzero(fits)[near]
        if len(own):
            share = (tb[own] - ta[low]) / gap
            step = a[high] - a[low]
            there = a[low] + share[:, None] * step
            curved = (CURVED * 4.0 * share * (1.0 - share) + STAMP_S / gap)[:, None] * step
            weight = share * share + (1.0 - share) ** 2
            turning = step[:, 3:] / gap[:, None]
            pairs = np.column_stack((tb[own], b[own] - there, there, curved, weight, turning))
            self._pairs = np.concatenate((self._pairs, pairs))
        self._b.drop(ready)
        # The last sample of A before the next of B is still needed; B may be late, so A is not cut past the last B heard.
        upto = tb[ready] if ready < len(tb) else tb[-1]
        self._a.drop(max(0, int(np.searchsorted(ta, upto, side="left")) - 1))

    def _full_windows(self) -> list[PairWindow]:
        count = len(self._pairs) // WINDOW
        if not count:
            return []
        blocks = self._pairs[: count * WINDOW].reshape(count, WINDOW, _PAIR)
        self._pairs = self._pairs[count * WINDOW :]
        if self._known is None:
            a, b = self.rest["a"].result(), self.rest["b"].result()
            if a is None or b is None:
                return []  # without a stay on the pad nothing is known of what they honestly differ by
            self._known = a, b
        known = self._known
        lasting = [block for block in blocks if block[-1, 0] - block[0, 0] <= LONGEST_WINDOW_S]
        return [_window(block, *known, self._mounting) for block in lasting]

    def _judge(self, window: PairWindow) -> list[PairChange]:
        self.windows += 1
        changes = []
        for place, kind in enumerate(KINDS):
            run = self._runs[kind]
            if window.disagrees(place):
                if not run[0] and kind not in self.open:
                    run[2] = window.start_s
                run[0], run[1] = run[0] + 1, 0
                if run[0] >= RAISE_WINDOWS and kind not in self.open:
                    self.open[kind] = run[2]
                    changes.append(PairChange(window.end_s, kind, True, run[2], window))
            else:
                run[0], run[1] = 0, run[1] + 1
                if run[1] >= CLEAR_WINDOWS and kind in self.open:
                    changes.append(PairChange(window.end_s, kind, False, self.open.pop(kind), window))
        return changes


# Columns of a pair: time, six differences, six values of A, six straight-line errors, weight of A's noise, three turnings.
_PAIR = 23
_T, _D, _A, _E, _N, _R = 0, slice(1, 7), slice(7, 13), slice(13, 19), 19, slice(20, 23)


class _Queue:
    """Samples in flight that wait for the other unit: finite, each later than the one before."""

    def __init__(self) -> None:
        self._last_t = -np.inf
        self._t: list[Floats] = []
        self._v: list[Floats] = []
        self.count = 0

    def fitting(self, samples: Samples) -> Ints:
        """Return the places of the samples to put here; each call must go on where the last one ended."""
        fine = np.isfinite(samples.t_s) & (np.abs(samples.values) < NO_SENSOR_SAYS).all(axis=1)
        t_s = np.where(fine, samples.t_s, -np.inf)
        highest = np.maximum.accumulate(np.concatenate(([self._last_t], t_s)))
        self._last_t = float(highest[-1])
        fine &= (t_s > highest[:-1]) & np.asarray(samples.flying, dtype=bool)
        return np.flatnonzero(fine)

    def put(self, t_s: Floats, values: Floats) -> None:
        self._t.append(t_s)
        self._v.append(values)
        self.count += len(t_s)

    def arrays(self) -> tuple[Floats, Floats]:
        if len(self._t) > 1:
            self._t, self._v = [np.concatenate(self._t)], [np.concatenate(self._v)]
        return self._t[0], self._v[0]

    def drop(self, count: int) -> None:
        self._t, self._v = [self._t[0][count:]], [self._v[0][count:]]
        self.count -= count
        if not self.count:
            self._t, self._v = [], []


class _Feed:
    """One unit's samples on their way to what is learned at rest and to those that wait for the other unit."""

    def __init__(self, samples: Samples | None, rest: RestStatistics, queue: _Queue) -> None:
        self._samples, self._rest, self._queue = samples, rest, queue
        self._blocks = deque(() if samples is None else rest.blocks(samples))
        self._fitting = np.zeros(0, dtype=np.int64) if samples is None else queue.fitting(samples)

    def give(self, upto: int) -> None:
        """Hand on what has not been yet of the first `upto` samples."""
        while self._blocks and self._blocks[0].last < upto:
            self._rest.learn(self._blocks.popleft())
        if self._samples is None or not len(self._fitting):
            return
        count = int(np.searchsorted(self._fitting, upto))
        if count:
            now, self._fitting = self._fitting[:count], self._fitting[count:]
            self._queue.put(self._samples.t_s[now], self._samples.values[now])


def _count(samples: Samples | None) -> int:
    return 0 if samples is None else len(samples.t_s)


def _length(vectors: Floats) -> Floats:
    return np.sqrt(vectors[:, 0] * vectors[:, 0] + vectors[:, 1] * vectors[:, 1] + vectors[:, 2] * vectors[:, 2])


class _Mounting:
    """Alignment and scale of B against A for one kind: M, shape (3, 3), row by row, in information form."""

    def __init__(self) -> None:
        self._information = np.tile(np.eye(3) / M_SIGMA**2, (3, 1, 1))
        self._weighted = np.zeros((3, 3))

    def explained(self, change: Floats) -> tuple[Floats, Floats]:
        """Return what M makes of changes from rest (n, 3), and the variance of that, both (n, 3)."""
        doubt = np.linalg.inv(self._information)
        m = np.einsum("kij,kj->ki", doubt, self._weighted)
        return change @ m.T, np.einsum("ni,kij,nj->nk", change, doubt, change)

    def learn(self, values: Floats, apart: Floats, variance: Floats) -> None:
        """Take values of A and differences, both (n, 3), of a window with the variance of one difference, (3,)."""
        moves, follows = values - np.median(values, axis=0), apart - np.median(apart, axis=0)
        # A shock that hits one unit's sample only is no mounting.
        usual = 5.0 * np.sqrt(variance / ALIKE) + 3.0 * M_SIGMA * _length(moves)[:, None]
        kept = (np.abs(follows) <= usual).all(axis=1)
        if kept.sum() < WINDOW // 2:
            return
        moves, follows = (part[kept] - part[kept].mean(axis=0) for part in (moves, follows))
        for axis in range(3):
            self._information[axis] += moves.T @ moves / variance[axis]
            self._weighted[axis] += moves.T @ follows[:, axis] / variance[axis]


def _median(window: Floats) -> Floats:
    """Return `np.median(window, axis=0)` of a window, an odd count; its care for other cases takes several times as long."""
    ordered = np.sort(window, axis=0)
    return np.where(np.isnan(ordered[-1]), np.nan, ordered[WINDOW // 2] + 0.0)  # no zero below zero, as there


def _window(block: Floats, a: UnitAtRest, b: UnitAtRest, mounting: tuple[_Mounting, _Mounting]) -> PairWindow:
    """Judge one window of exactly `WINDOW` pairs; what agrees teaches alignment and scale."""
    apart = block[:, _D] - (np.array(b.mean) - np.array(a.mean))
    middle = _median(apart)
    noise_a, noise_b = np.array(a.noise) ** 2, np.array(b.noise) ** 2
    known = noise_b + noise_a * block[:, _N : _N + 1]
    curved = block[:, _E] ** 2
    force, rate = _length(block[:, _A][:, :3]), _length(block[:, _A][:, 3:])
    spun = rate * rate
    turned = float(_length(block[-1:, _A][:, 3:] - block[:1, _A][:, 3:])[0]) / float(block[-1, _T] - block[0, _T])
    lever = LEVER_M * (float(_median(spun)) + turned)
    honest_force = (SCALE * float(_median(force))) ** 2 + lever * lever + FORCE_SHIFT_M_S2**2
    honest_rate = (SCALE * float(_median(rate))) ** 2 + RATE_SHIFT_RAD_S**2
    honest = np.array([honest_force] * 3 + [honest_rate] * 3)
    # Straight-line errors of neighbors are alike: about four in a row count as one.
    variance = honest + (known.mean(axis=0) + 4.0 * _median(curved)) * (0.5 * pi / WINDOW)
    variance = variance + noise_a / (a.blocks * WINDOW) + noise_b / (b.blocks * WINDOW)
    plain = variance
    shakes = (1.4826 * _median(np.abs(apart - middle))) ** 2
    variance = np.maximum(variance, honest + shakes * (0.5 * pi / WINDOW))
    change = block[:, _A] - np.array(a.mean)
    told = [mounting[kind].explained(change[:, part]) for kind, part in enumerate((slice(0, 3), slice(3, 6)))]
    explained, doubts = (np.concatenate(parts, axis=1) for parts in zip(*told, strict=True))
    doubt = _median(doubts)
    left = _median(apart - explained)
    distances = [_by_kind(off * off / sure) for off, sure in ((middle, plain), (left, variance + doubt))]
    surely = _by_kind(np.maximum(np.abs(left) - 2.0 * np.sqrt(variance + doubt), 0.0) ** 2)
    size = known + curved + np.concatenate((np.repeat(_force_size(block, force, spun), 3, axis=1), _rate_size(rate)), axis=1)
    loud = 1.4826 * _median(np.abs(apart - explained - left) / np.sqrt(size + doubts))
    loud = np.minimum(loud, 1.4826 * _median(np.abs(apart - middle) / np.sqrt(size)))
    if float(_median(force)) > THRUSTS_M_S2:
        loud = np.zeros(6)
    window = PairWindow(
        float(block[0, _T]),
        float(block[-1, _T]),
        (min(one[0] for one in distances), min(one[1] for one in distances)),
        (float(loud[:3].max()), float(loud[3:].max())),
        tuple(middle.tolist()),
        tuple(sqrt(v) for v in (variance + doubt).tolist()),
        (sqrt(surely[0]), sqrt(surely[1])),
    )
    # Straight-line errors of neighbors are alike here too.
    spread = ALIKE * np.maximum(known.mean(axis=0) + curved.mean(axis=0), shakes)
    for kind, part in enumerate((slice(0, 3), slice(3, 6))):
        if not window.disagrees(kind):
            mounting[kind].learn(block[:, _A][:, part], apart[:, part], spread[part])
    return window


def _by_kind(squares: Floats) -> tuple[float, float]:
    """Return the sums over the axes of force and of rates, of shape (6,)."""
    return float(squares[0] + squares[1] + squares[2]), float(squares[3] + squares[4] + squares[5])


def _force_size(block: Floats, force: Floats, spun: Floats) -> Floats:
    """Return the variance of one force difference that scale, crossed axes and lever explain, shape (n, 1)."""
    lever = LEVER_M * (spun + _length(block[:, _R]))
    return ((SCALE * force) ** 2 + lever * lever)[:, None]


def _rate_size(rate: Floats) -> Floats:
    return np.repeat(((SCALE * rate) ** 2)[:, None], 3, axis=1)
