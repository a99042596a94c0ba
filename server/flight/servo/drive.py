"""What a servo was asked, known at the times of telemetry only, and which of its answers are looked at.

Between two samples the command took a way nobody saw. Where one interval holds the whole change it was a jump at an
unknown moment (uniform over the interval); where the command moves on and on it is drawn as a straight line in small stairs,
wrong by about a fifth of the bend there. Each such interval has a nuisance of unit variance that the fit carries along, so
that the sampling is in the doubt of everything that is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from protocol.arrays import Bools, Floats, Ints

Samples = tuple[Floats, Floats]  # times (s) and angles (rad), shape (n,) each

SETTLED_S = 0.4  # after that long without a change a servo stands; our choice
LONGEST_GAP_S = 0.45  # so long without a command, and a new stretch begins; our choice
JUMP_SHARE = 0.25  # neighbors so much smaller make an interval's change a jump; our choice
BEND_SHARE = 0.2  # error of a straight line as a share of the bend there, one sigma; as in the roll's fit
STAIRS = 5
UNIFORM_SIGMA = 1.0 / np.sqrt(12.0)
LARGEST_RAD = 10.0
LEAST_DT_S, MOST_DT_S = 0.002, 0.005
REACH_S = 0.3  # how long an error of the command is still seen in the angle; our choice
MOST_NUISANCES = 400
MOST_CELLS = 12_000


@dataclass(frozen=True, slots=True)
class Drive:
    """One fin's record as the fit needs it.

    `t`, `u`: command samples; `at`, `y`: angles looked at (times and rad). `cells`: start of each step of the simulation,
    shape (T,), all of `dt` seconds, quiet times left out. `starts`: first cell of each stretch, `first`: the angle there.
    `jump`, `line`: numbers i of intervals (i-1, i) with a nuisance; `color`: nuisances of one color never meet.
    """

    t: Floats
    u: Floats
    at: Floats
    y: Floats
    cells: Floats
    dt: float
    starts: Ints
    first: Floats
    jump: Ints
    line: Ints
    bend: Floats
    color: Ints
    period_s: float
    noise: float

    @property
    def nuisances(self) -> Ints:
        """Intervals with a nuisance, jumps first, shape (m,)."""
        return np.concatenate((self.jump, self.line))

    def integral(self, nuisance: Floats, edges: Floats, dead_s: float) -> Floats:
        """Return the integral of the command up to each edge (s) as it is heard `dead_s` later, shape as `edges`."""
        count = len(self.t) - 1
        share = np.full(count, 0.5)  # where in its interval a jump is
        share[self.jump - 1] = np.clip(ndtr(nuisance[: len(self.jump)]), 1e-4, 1.0 - 1e-4)
        extra = np.zeros(count)
        extra[self.line - 1] = BEND_SHARE * self.bend * nuisance[len(self.jump) :]
        is_jump = np.ones(count, dtype=bool)
        is_jump[self.line - 1] = False
        long, before, after = np.diff(self.t), self.u[:-1], self.u[1:]
        stair = (np.arange(STAIRS) + 0.5) / STAIRS
        level = before[:, None] + stair * (after - before)[:, None] + extra[:, None]
        width = np.full((count, STAIRS), 1.0 / STAIRS)
        # A jump is two levels; the rest of its stairs have no width.
        level[is_jump] = after[is_jump, None]
        level[is_jump, 0] = before[is_jump]
        width[is_jump] = 0.0
        width[is_jump, 0], width[is_jump, 1] = share[is_jump], 1.0 - share[is_jump]
        knots = self.t[0] + np.concatenate(([0.0], np.cumsum((width * long[:, None]).ravel())))
        sums = np.concatenate(([0.0], np.cumsum((level * width * long[:, None]).ravel())))
        heard = edges - dead_s
        inside = np.interp(heard, knots, sums)
        # Before the first and after the last command it stays as it was.
        total: Floats = (
            inside + np.minimum(heard - knots[0], 0.0) * self.u[0] + np.maximum(heard - knots[-1], 0.0) * self.u[-1]
        )
        return total


def clean(samples: Samples, largest: float = LARGEST_RAD) -> Samples:
    """Drop what is not finite or beyond any sense, sort by time, keep the first of equal times."""
    t, values = np.asarray(samples[0], dtype=np.float64), np.asarray(samples[1], dtype=np.float64)
    with np.errstate(invalid="ignore"):
        good = np.isfinite(t) & (np.abs(values) < largest)
    kept, first = np.unique(t[good], return_index=True)
    return kept, values[good][first]


def last_change(t: Floats, u: Floats, at: Floats) -> Floats:
    """Return how long before each time the command was last seen to change (s), infinite where it never did."""
    changed = np.flatnonzero(np.diff(u) != 0.0) + 1
    if not changed.size:
        return np.full(len(at), np.inf)
    place = np.searchsorted(t[changed - 1], at, side="right") - 1
    return np.where(place >= 0, at - t[changed[np.maximum(place, 0)]], np.inf)


def quiet_noise(commanded: Samples, measured: Samples) -> float:
    """Return the noise of measured angles (rad) from second differences while nothing moves; 0 where that is not seen."""
    still = last_change(*commanded, measured[0]) > SETTLED_S
    near = np.diff(measured[0]) < 3.0 * np.median(np.diff(measured[0]))
    three = still[:-2] & near[:-1] & near[1:] & (last_change(*commanded, measured[0][2:]) > SETTLED_S)
    if three.sum() < 8:
        return 0.0
    bend = (measured[1][:-2] - 2.0 * measured[1][1:-1] + measured[1][2:])[three]
    return float(1.4826 * np.median(np.abs(bend)) / np.sqrt(6.0))


def prepare(commanded: Samples, measured: Samples) -> Drive | None:
    """Return the record of one fin, cleaned samples in, or None where there is nothing to look at."""
    t, u = commanded
    if len(t) < 8 or len(measured[0]) < 8 or not np.diff(u).any():
        return None
    period = float(np.median(np.diff(t)))
    steps = measured[1][measured[1] != 0.0]
    quantum = float(np.min(np.diff(np.unique(np.round(steps, 9))))) if len(np.unique(np.round(steps, 9))) > 1 else 0.0
    noise = max(float(np.hypot(quiet_noise(commanded, measured), quantum / np.sqrt(12.0))), 1e-5)
    at, y, kept, starts, first = _stretches(commanded, measured)
    dt = float(np.clip(period / 10.0, LEAST_DT_S, MOST_DT_S))
    cells, cell_starts = _cells(kept, starts, dt)
    if len(at) < 12 or not len(cells) or len(cells) > MOST_CELLS:
        return None
    jump, line, bend = _nuisances(t, u, kept, noise)
    return Drive(t, u, at, y, cells, dt, cell_starts, first, jump, line, bend, _colors(t, jump, line), period, noise)


def _stretches(commanded: Samples, measured: Samples) -> tuple[Floats, Floats, list[tuple[float, float]], list[int], Floats]:
    """Return the angles looked at, the times worth simulating, which of them begin a stretch, and the angle there."""
    t, u = commanded
    holes = np.flatnonzero(np.diff(t) > LONGEST_GAP_S)
    edges = np.concatenate(([0], holes + 1, [len(t)]))
    times, values, starts, first = [], [], [], []
    kept: list[tuple[float, float]] = []
    for begin, end in zip(edges[:-1], edges[1:], strict=True):
        if end - begin < 4 or not np.diff(u[begin:end]).any():
            continue
        low, high = float(t[begin]), float(t[end - 1])
        changed = np.flatnonzero(np.diff(u[begin:end]) != 0.0) + begin
        spans = _joined([(max(low, t[i] - 0.06), min(high, t[i + 1] + SETTLED_S)) for i in changed.tolist()])
        inside = (measured[0] >= low) & (measured[0] <= high)
        # Where a stretch begins in movement nobody knows where the horn was.
        known = low if changed[0] > begin and t[changed[0]] - low > 0.2 else low + SETTLED_S
        if not inside.any():
            continue
        starts.append(len(kept))
        first.append(float(measured[1][inside][0]))
        kept += spans
        for start, stop in spans:
            here = (measured[0] >= max(start, known)) & (measured[0] <= stop)
            times.append(measured[0][here])
            values.append(measured[1][here])
    joined = (np.concatenate(times), np.concatenate(values)) if times else (np.zeros(0), np.zeros(0))
    return *joined, kept, starts, np.array(first)


def _joined(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    found: list[tuple[float, float]] = []
    for start, stop in spans:
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(stop, found[-1][1]))
        else:
            found.append((float(start), float(stop)))
    return found


def _cells(spans: list[tuple[float, float]], starts: list[int], dt: float) -> tuple[Floats, Ints]:
    parts, at, place = [], [], 0
    for number, (start, stop) in enumerate(spans):
        part = start + dt * np.arange(max(1, int(np.ceil((stop - start) / dt))))
        if number in starts:
            at.append(place)
        parts.append(part)
        place += len(part)
    return (np.concatenate(parts) if parts else np.zeros(0)), np.array(at, dtype=np.int64)


def _nuisances(t: Floats, u: Floats, spans: list[tuple[float, float]], noise: float) -> tuple[Ints, Ints, Floats]:
    """Return the intervals that are jumps, those that are lines with a bend that matters, and the bends."""
    step = np.diff(u)
    padded = np.concatenate(([0.0], np.abs(step), [0.0]))
    beside = np.maximum(padded[:-2], padded[2:])
    inside = np.zeros(len(step), dtype=bool)
    for start, stop in spans:
        inside |= (t[1:] >= start) & (t[:-1] <= stop)
    is_jump: Bools = beside < JUMP_SHARE * np.abs(step)
    bends = np.abs(np.diff(np.concatenate(([0.0], step, [0.0]))))
    # A way that wanders may be straight here by chance: its neighbors tell how it goes.
    around = np.sqrt(np.convolve(np.where(bends > 0.0, bends, 0.0) ** 2, np.full(5, 0.2), mode="same"))
    bend = np.maximum(np.maximum(bends[:-1], bends[1:]), around[1:])
    size = np.where(is_jump, UNIFORM_SIGMA * np.abs(step), BEND_SHARE * bend)
    size[~inside] = 0.0
    least = max(0.3 * noise, float(np.sort(size)[-MOST_NUISANCES]) if len(size) > MOST_NUISANCES else 0.0)
    jump = np.flatnonzero(is_jump & (size >= least)) + 1
    # A small change between quiet neighbors is a jump in the middle and needs no more.
    line = np.flatnonzero(~is_jump & (step != 0.0)) + 1
    return jump, line, np.where(size >= least, bend, 0.0)[line - 1]


def _colors(t: Floats, jump: Ints, line: Ints) -> Ints:
    """Return a color for each nuisance, so that those of one color are far enough apart to be tried at once."""
    begins = t[np.concatenate((jump, line)) - 1]
    ends = t[np.concatenate((jump, line))] + REACH_S
    color = np.zeros(len(begins), dtype=np.int64)
    free: list[float] = []
    for place in np.argsort(begins, kind="stable").tolist():
        number = next((i for i, until in enumerate(free) if until <= begins[place]), len(free))
        if number == len(free):
            free.append(0.0)
        free[number] = float(ends[place])
        color[place] = number
    return color
