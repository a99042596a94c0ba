"""Before a frame that is no number: which input did something it hardly does elsewhere in the flight, and how sure that is.

A quotient is no number when its divisor vanishes, a step of time is nothing, a root's or a logarithm's argument is negative,
a number grew beyond its format, or something just began that nobody had tried. Each such precursor is a score at every frame
of the state vector, higher for more of it: how near the last switch is, how near zero a speed, how far from one a length.
What the score was at the bad frame is held against all other frames of the same flight: the share of them that scored as
high is the chance that it means nothing. So a speed of zero on the pad, where it is always zero, points at nothing, and a
control that was enabled once in the flight, in that very frame, does.

Of the precursors seen, each weighs one over its chance; that none of them is the cause weighs as much as all that were
looked at do together (the best of so many means nothing as often; C. E. Bonferroni's inequality, any textbook of
statistics). The shares of the sum are how sure it is. What can make no number by itself (a step of time, code that runs for
the first time) weighs more than what makes a wrong one, or a great one as a divisor does that is only small (`WEIGHTS`).
Switches that changed at once are one. Weights, and the floors below which a score does not count, are common practice, no
source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from protocol.arrays import Bools, Floats
from server.flight.inertial.inputs import rate_at_an_end, repeats, runs

POSITION, VELOCITY, QUATERNION, RATES = slice(0, 3), slice(3, 6), slice(6, 10), slice(10, 13)
LOOK_S = 1.0  # what is further back than this is not before the frame
AROUND_S = 1.0  # frames so near a bad one are not held against it
JUMP_S = 0.25  # within how long before a frame a jump counts
STUCK_SAMPLES = 6
FEWEST_FRAMES = 40
SURE, LIKELY = 0.8, 0.5
SWITCHED, SMALL, JUMPED, AT_END, STUCK, NO_TIME, LENGTH, NO_NUMBER = (
    "switched", "small", "jumped", "at end", "stuck", "no time", "length", "no number",
)  # fmt: skip
WEIGHTS = {SWITCHED: 1.0, SMALL: 0.3, NO_TIME: 1.0, LENGTH: 1.0, NO_NUMBER: 1.0, JUMPED: 0.5, AT_END: 0.5, STUCK: 0.5}
NONE_WEIGHS = 5.0  # times what all that were looked at weigh
NOTHING = -np.inf  # a score that does not count


@dataclass(frozen=True)
class Sensor:
    """What a sensor sent: its name in words, times (n,), values (n, k), infinite where at the end of its range."""

    name: str
    t: Floats
    values: Floats
    is_gyro: bool = False


@dataclass(frozen=True)
class Switch:
    """Something on board that is on or off, or in one of some states: its name in words, times (n,), values (n,)."""

    name: str
    t: Floats
    values: Floats


@dataclass(frozen=True)
class Flown:
    """A flight as its frames tell it: times (n,) and state vectors (n, 13) in order of arrival, sensors, switches.

    State: position, velocity (m, m/s; east, north, up), quaternion (w, x, y, z), body rates (rad/s). `alike` (n,) are the
    frames that others are held against: those in the air, or those on the pad, since other code runs there.
    """

    t: Floats
    state: Floats
    sensors: Sequence[Sensor]
    switches: Sequence[Switch]
    alike: Bools


class Clue(NamedTuple):
    """One precursor seen: its kind, the input, in words what it did, the chance that it means nothing, how sure it is it."""

    kind: str
    what: str
    words: str
    chance: float
    share: float


@dataclass(frozen=True)
class Verdict:
    """What came before the frame at `bad_s`: how many precursors were looked for, the ones seen, the surest first."""

    bad_s: float
    looked_for: int
    frames: int
    clues: tuple[Clue, ...]

    @property
    def likeliest(self) -> Clue | None:
        """Return the one that is more likely than all else together, None where nothing stands out."""
        return self.clues[0] if self.clues and self.clues[0].share >= LIKELY else None


@dataclass(frozen=True)
class _Score:
    kind: str
    what: str
    words: str
    values: Floats
    is_of_state: bool = False


def bad_frames(flown: Flown) -> Bools:
    """Return which frames, shape (n,), hold a component that is no number, of those that others show to be sent."""
    sent = np.isfinite(flown.state).any(axis=0)
    return np.asarray(~np.isfinite(flown.state[:, sent]).all(axis=1), dtype=bool)


def what_came_before(flown: Flown, place: int) -> Verdict:
    """Return what the frames before the one at `place` show that others do not."""
    t, bad_s = flown.t, float(flown.t[place])
    bad = bad_frames(flown)
    # Of a state that stays bad only the beginning is a case; behind it sensors and switches still tell what is usual.
    begins = bad & ~np.concatenate([[False], bad[:-1]])
    begins[place] = True
    near = np.zeros(len(t), dtype=bool)
    for at in t[begins]:
        near |= np.abs(t - at) <= AROUND_S
    others = flown.alike & ~near
    frames = int(others.sum())
    if frames < FEWEST_FRAMES:
        return Verdict(bad_s, 0, frames, ())
    scores = _merged(list(_scores(flown)), place)
    seen: dict[str, tuple[float, float, _Score]] = {}
    for score in scores:
        own = float(score.values[place])
        if own > NOTHING:
            held = score.values[others & ~bad if score.is_of_state else others]
            chance = (1.0 + float(np.sum(held >= own))) / (len(held) + 1.0)
            one = (WEIGHTS[score.kind] / chance, chance, score)
            if one[0] > seen.get(score.what, (0.0,))[0]:  # of one input the most telling: it jumps when it is stuck no more
                seen[score.what] = one
    total = NONE_WEIGHS * sum(WEIGHTS[score.kind] for score in scores) + sum(weight for weight, _, _ in seen.values())
    clues = [Clue(score.kind, score.what, score.words, chance, weight / total) for weight, chance, score in seen.values()]
    clues.sort(key=lambda one: (-one.share, one.what))
    return Verdict(bad_s, len(scores), frames, tuple(clues))


def _scores(flown: Flown) -> Iterator[_Score]:
    """Yield every precursor's score at each frame."""
    before = _last_good(flown.state)
    yield from _of_time(flown)
    yield from (replace(one, is_of_state=True) for one in _of_state(flown.t, before, ~bad_frames(flown)))
    for sensor in flown.sensors:
        yield from _of_sensor(flown.t, sensor)
    for switch in flown.switches:
        changed = np.flatnonzero(_differs(switch.values))
        events = [(float(switch.t[k - 1]), float(switch.t[k])) for k in changed]
        yield _Score(SWITCHED, switch.name, f"{switch.name} had just changed", _nearness(flown.t, events))


def _merged(scores: list[_Score], place: int) -> list[_Score]:
    """Return the scores with those switches as one that changed in the same moment before the frame at `place`."""
    apart, together = [], defaultdict(list)
    for score in scores:
        own = float(score.values[place])
        if score.kind == SWITCHED and own > NOTHING:
            together[own].append(score)
        else:
            apart.append(score)
    for same in together.values():
        names = [score.what for score in same]
        what = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
        values = np.minimum.reduce([score.values for score in same])
        apart.append(_Score(SWITCHED, what, f"{what} had just changed", values))
    return apart


def _last_good(state: Floats) -> Floats:
    """Return state vectors with the last finite value wherever one is no number."""
    good = np.isfinite(state)
    place = np.where(good, np.arange(len(state))[:, None], 0)
    last = np.maximum.accumulate(place, axis=0)
    return np.take_along_axis(state, last, axis=0)


def _differs(values: Floats) -> Bools:
    """Return where a value is another than the finite one before it, shape (n,)."""
    out = np.zeros(len(values), dtype=bool)
    with np.errstate(invalid="ignore"):
        out[1:] = (values[1:] != values[:-1]) & np.isfinite(values[1:]) & np.isfinite(values[:-1])
    return out


def _nearness(t: Floats, events: Sequence[tuple[float, float]]) -> Floats:
    """Return for each frame minus the time (s) since the last event, which lay between two times; none: no score.

    What lay between two samples may have been at any moment between them: a frame there counts as at it.
    """
    score = np.full(len(t), NOTHING)
    for begin, end in events:
        since = np.where(t >= end, t - end, np.where(t >= begin, 0.0, np.inf))
        score = np.maximum(score, np.where(since <= LOOK_S, -since, NOTHING))
    return score


def _of_time(flown: Flown) -> Iterator[_Score]:
    """Yield steps of time that are nothing or negative: of the frames themselves and of each sensor's rows."""
    named = [("the frames", flown.t), *((one.name, one.t) for one in flown.sensors)]
    for name, t in named:
        stands = np.flatnonzero(np.diff(t) <= 0.0) + 1
        events = [(float(min(t[k - 1], t[k])), float(max(t[k - 1], t[k]))) for k in stands]
        yield _Score(NO_TIME, "the step of time", f"the time of {name} stood still or went back", _nearness(flown.t, events))


def _of_state(t: Floats, state: Floats, whole: Bools) -> Iterator[_Score]:
    """Yield the state vector's own: a length that drifts, divisors that vanish, an estimate that jumps."""
    velocity, quaternion, rates = state[:, VELOCITY], state[:, QUATERNION], state[:, RATES]
    w, x, y, z = quaternion.T
    length = np.linalg.norm(quaternion, axis=1)
    off = np.abs(length - 1.0)
    yield _Score(
        LENGTH, "the quaternion's length", "the quaternion's length had drifted from one", np.where(off > 1e-4, off, NOTHING)
    )
    small: tuple[tuple[str, Floats, float], ...] = (
        ("the speed", np.linalg.norm(velocity, axis=1), 1.0),
        ("the speed over the ground", np.hypot(velocity[:, 0], velocity[:, 1]), 0.5),
        ("the climb rate", np.abs(velocity[:, 2]), 0.5),
        ("the roll rate", np.abs(rates[:, 2]), 0.02),
        ("the body's rate", np.linalg.norm(rates, axis=1), 0.02),
        ("the cosine of the pitch angle", np.sqrt(np.maximum(1.0 - (2.0 * (w * y - z * x)) ** 2, 0.0)), 0.05),
        ("the tilt", np.hypot(x, y), 0.005),
    )
    for name, value, floor in small:
        yield _Score(SMALL, name, f"{name} was next to zero", np.where(value < floor, -value, NOTHING))
    step = np.maximum(np.diff(t, prepend=t[0]), 1e-3)[:, None]
    moved = np.diff(state[:, POSITION], axis=0, prepend=state[:1, POSITION]) - velocity * step
    leaps = (("position", moved), ("velocity", np.diff(velocity, axis=0, prepend=velocity[:1])))
    # What stands in for a bad number is the frame before, which has not leapt.
    for name, leap in (*leaps, ("rates", np.diff(rates, axis=0, prepend=rates[:1]))):
        leap[~whole] = 0.0
        yield _Score(
            JUMPED, "the estimate itself", f"the estimated {name} had leapt", _greatest(t, t, np.linalg.norm(leap, axis=1))
        )


def _of_sensor(t: Floats, sensor: Sensor) -> Iterator[_Score]:
    """Yield a sensor's: no number, at its end, stuck, a jump, and for a force one next to nothing."""
    known = np.isfinite(sensor.t)
    own_t, values = sensor.t[known], sensor.values[known]
    if len(own_t) < STUCK_SAMPLES:
        return
    order = np.argsort(own_t, kind="stable")
    own_t, values = own_t[order], values[order]
    # A row of which nothing is a number may be one of another packet, which never had it.
    broken = np.asarray(np.isnan(values).any(axis=1) & np.isfinite(values).any(axis=1), dtype=bool)
    checks = (
        (NO_NUMBER, "sent what is no number", broken),
        (AT_END, "was at the end of its range", _at_ends(values, sensor.is_gyro)),
        (STUCK, "stood still", _stood_still(values)),
    )
    for kind, words, bad in checks:
        events = [(float(own_t[max(begin - 1, 0)]), float(own_t[end - 1])) for begin, end in runs(bad)]
        yield _Score(kind, sensor.name, f"{sensor.name} {words}", _nearness(t, events))
    finite = np.where(np.isfinite(values), values, np.nan)
    leap = np.linalg.norm(np.nan_to_num(np.diff(finite, axis=0, prepend=finite[:1])), axis=1)
    yield _Score(JUMPED, sensor.name, f"{sensor.name} had jumped", _greatest(t, own_t, leap))
    if values.shape[1] == 3:
        size = np.linalg.norm(np.nan_to_num(finite, nan=1e9), axis=1)
        least = -_greatest(t, own_t, -size, floor=-np.inf)
        floor = 0.02 if sensor.is_gyro else 0.6
        words = f"the size of what {sensor.name} measured was next to zero"
        yield _Score(SMALL, sensor.name, words, np.where(least < floor, -least, NOTHING))


def _at_ends(values: Floats, is_gyro: bool) -> Bools:
    ends = np.asarray(np.isinf(values).any(axis=1), dtype=bool)
    if not is_gyro:
        return ends
    for axis in values.T:  # twice the same: on its way through it is not held there
        ends |= repeats(axis, 2) & np.array([rate_at_an_end(float(one)) for one in axis])
    return ends


def _stood_still(values: Floats) -> Bools:
    """Return the rows, shape (n,), of stretches that repeat bit for bit where other rows do not."""
    same = np.concatenate([[False], (values[1:] == values[:-1]).all(axis=1)])
    out = np.zeros(len(values), dtype=bool)
    for begin, end in runs(same):
        out[begin:end] = end - begin >= STUCK_SAMPLES - 1
    return out


def _greatest(t: Floats, own_t: Floats, size: Floats, floor: float = 0.0) -> Floats:
    """Return for each frame the greatest of a size, at times (m,), in `JUMP_S` up to the frame; no score where none was."""
    order = np.argsort(own_t, kind="stable")
    own_t, size = own_t[order], size[order]
    first, last = np.searchsorted(own_t, t - JUMP_S), np.searchsorted(own_t, t + 1e-9)
    out = np.full(len(t), NOTHING)
    for k, (begin, end) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        if end > begin:
            out[k] = size[begin:end].max()
    return np.where(out > floor, out, NOTHING)
