"""The control gate of one flight: what was met when, how long control had, and what it would have taken to have more.

Times come from flags sampled some ten times a second, so each change lies between two samples: a change is dated to the
middle, and every duration has the least and the most it can have been. What other settings would have given is reckoned
from the flight's own height and speed, with the rule of the vehicle's dictionary: control begins when altitude and speed
are both met and ends when the speed is lost (`altitude_latches`) or when either is. Definitions only, no source needed;
the second that control must have had to count as tried is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from protocol.arrays import Bools, Floats

TESTED, NO_TEST, NEVER, NOT_HEARD = "tested", "no test of control", "never enabled", "not heard"
LEAST_CONTROL_S = 1.0  # common practice, no source
SLACK_M, SLACK_M_S = 3.0, 1.5  # ground's height and speed against the vehicle's; common practice, no source
_GRID_S = 0.01
_LONGEST_S = 600.0


@dataclass(frozen=True, slots=True)
class Flag:
    """One condition: first met, lost for the last time (None: still held at the end), for how long in all (s).

    `first_s` and `lost_s` are middles between two samples; `first_within_s` and `lost_within_s` half the distance.
    `least_s` and `most_s` bound `held_s`.
    """

    first_s: float | None
    first_within_s: float
    lost_s: float | None
    lost_within_s: float
    held_s: float
    least_s: float
    most_s: float


@dataclass(frozen=True, slots=True)
class Doubt:
    """A stretch of time in which the vehicle claimed control that its conditions do not cover."""

    text: str
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class GateSettings:
    """What the vehicle waits for, and how long control must last to count as tried."""

    altitude_m: float
    speed_m_s: float
    altitude_latches: bool = True
    least_control_s: float = LEAST_CONTROL_S


@dataclass(frozen=True, slots=True)
class GateReport:
    """Verdict, reason, the three flags, and what would have been needed; None where it cannot be said.

    `altitude_for_least_m`: the highest gate altitude that would have given the least control time, the speed gate kept;
    `speed_for_least_m_s`: the same for the speed gate, the altitude kept. `short_of_altitude_m` is how much higher the
    flight had to climb to meet the altitude at all, `short_of_speed_m_s` how much faster it had to be at its best
    moment at or above the gate altitude; zero when met. `later_deployment_s`: how much later the deployment had to come
    for the least control time had control gone on; zero when it had it, None when control was not on at deployment.
    """

    verdict: str
    reason: str
    altitude: Flag | None = None
    speed: Flag | None = None
    enabled: Flag | None = None
    doubts: tuple[Doubt, ...] = ()
    altitude_for_least_m: float | None = None
    speed_for_least_m_s: float | None = None
    short_of_altitude_m: float | None = None
    short_of_speed_m_s: float | None = None
    later_deployment_s: float | None = None


def judge_gate(
    flags: tuple[Floats, Floats, Floats, Floats],
    state: tuple[Floats, Floats, Floats],
    settings: GateSettings,
    lift_off_s: float,
    deployment_s: float,
) -> GateReport:
    """Judge one flight from lift-off to deployment (s).

    `flags` holds times and the three flags altitude met, speed met, enabled (0 or 1); `state` times, height over the pad
    (m) and speed (m/s). Each array shape (n,), any order; rows with a value that is not finite are dropped.
    """
    t, altitude, speed, enabled = _clean(flags, lift_off_s, deployment_s)
    path = _clean(state, lift_off_s, deployment_s)
    needed = _needed(path, settings)
    if t.size < 2:
        return replace(needed, verdict=NOT_HEARD, reason=f"{t.size} control packets between lift-off and deployment")
    on = _flag(t, enabled > 0.5, deployment_s)
    verdict, reason = _verdict(on, settings.least_control_s)
    later = None
    if enabled[-1] > 0.5 or verdict == TESTED:
        later = max(0.0, settings.least_control_s - on.held_s)
    return replace(
        needed,
        verdict=verdict,
        reason=reason,
        altitude=_flag(t, altitude > 0.5, deployment_s),
        speed=_flag(t, speed > 0.5, deployment_s),
        enabled=on,
        doubts=_doubts(t, (altitude > 0.5, speed > 0.5, enabled > 0.5), path, settings),
        later_deployment_s=later,
    )


def _clean(columns: tuple[Floats, ...], begin_s: float, end_s: float) -> tuple[Floats, ...]:
    """Keep finite rows of the window, sorted, one of each time."""
    rows = np.stack([np.asarray(column, dtype=np.float64) for column in columns])
    rows = rows[:, np.isfinite(rows).all(axis=0)]
    rows = rows[:, (rows[0] >= begin_s) & (rows[0] <= min(end_s, begin_s + _LONGEST_S))]
    _, first = np.unique(rows[0], return_index=True)
    return tuple(rows[:, first])


# ---------------------------------------------------------------- what happened


def _flag(t: Floats, on: Bools, end_s: float) -> Flag:
    """Return when a flag was on. After the last sample it is taken to stay as it is until the end."""
    edges = np.append(t, max(end_s, t[-1]))
    step = np.diff(edges)
    both = on[:-1] & on[1:]
    mixed = on[:-1] != on[1:]
    tail = float(step[-1])
    sure, unsure = float(step[:-1][both].sum()), float(step[:-1][mixed].sum())
    # The stretch after the last sample is known no better than one between two different ones.
    held = sure + 0.5 * unsure + (tail if on[-1] else 0.0)
    if not on.any():
        return Flag(None, 0.0, None, 0.0, 0.0, 0.0, tail + _longest(step[:-1]))
    first, last = int(on.argmax()), int(t.size - 1 - on[::-1].argmax())
    begin, begin_within = (float(t[0]), 0.0) if first == 0 else _middle(t[first - 1], t[first])
    lost, lost_within = (None, 0.0) if last == t.size - 1 else _middle(t[last], t[last + 1])
    return Flag(begin, begin_within, lost, lost_within, held, sure, sure + unsure + tail)


def _longest(steps: Floats) -> float:
    return float(steps.max()) if steps.size else 0.0


def _middle(before: float, after: float) -> tuple[float, float]:
    return 0.5 * float(before + after), 0.5 * float(after - before)


def _verdict(enabled: Flag, least_s: float) -> tuple[str, str]:
    between = f"between {enabled.least_s:.2f} and {enabled.most_s:.2f} s"
    if enabled.first_s is None:
        return NEVER, f"control was never seen enabled; the longest silence was {enabled.most_s:.2f} s"
    if enabled.held_s < least_s:
        return NO_TEST, f"{enabled.held_s:.2f} s of control before deployment ({between}), {least_s:.2f} s needed"
    return TESTED, f"{enabled.held_s:.2f} s of control before deployment ({between})"


def _doubts(t: Floats, flags: tuple[Bools, ...], path: tuple[Floats, ...], settings: GateSettings) -> tuple[Doubt, ...]:
    """Return where control was claimed against the vehicle's own flags, or against height and speed as seen here."""
    altitude, speed, enabled = flags
    covered = np.maximum.accumulate(altitude) if settings.altitude_latches else altitude
    found = _runs(t, enabled & ~covered, "enabled while the altitude condition was not met")
    found += _runs(t, enabled & ~speed, "enabled while the speed condition was not met")
    if path[0].size >= 2:
        inside = (t >= path[0][0]) & (t <= path[0][-1])
        height, fast = np.interp(t, path[0], path[1]), np.interp(t, path[0], path[2])
        highest = np.maximum.accumulate(height) if settings.altitude_latches else height
        low = enabled & inside & (highest < settings.altitude_m - SLACK_M)
        slow = enabled & inside & (fast < settings.speed_m_s - SLACK_M_S)
        found += _runs(t, low, f"enabled more than {SLACK_M:g} m below the gate altitude")
        found += _runs(t, slow, f"enabled more than {SLACK_M_S:g} m/s below the gate speed")
    return tuple(sorted(found, key=lambda doubt: doubt.from_s))


def _runs(t: Floats, on: Bools, text: str) -> list[Doubt]:
    change = np.flatnonzero(np.diff(np.concatenate(([False], on, [False])).astype(np.int8)))
    return [Doubt(text, float(t[a]), float(t[b - 1])) for a, b in zip(change[::2], change[1::2], strict=True)]


# ---------------------------------------------------------------- what would have been


def control_time_s(height_m: Floats, speed_m_s: Floats, step_s: float, settings: GateSettings) -> float:
    """Return how long (s) control would have been enabled over a path sampled every `step_s`.

    Height over the pad (m) and speed (m/s), each shape (n,).
    """
    fast = speed_m_s >= settings.speed_m_s
    high = height_m >= settings.altitude_m
    if settings.altitude_latches:
        # Within a run of enough speed, control is on from the first moment of enough height.
        run = np.cumsum(np.concatenate(([True], fast[1:] != fast[:-1])))
        met = np.maximum.accumulate(np.where(high & fast, run, 0))
        high = met == run
    return float((fast & high).sum()) * step_s


def _needed(path: tuple[Floats, ...], settings: GateSettings) -> GateReport:
    """Return what would have been needed, as a report without a verdict yet."""
    nothing = GateReport(NOT_HEARD, "")
    t, height, speed = path
    if t.size < 4:
        return nothing
    grid = np.arange(t[0], t[-1], _GRID_S)
    height, speed = np.interp(grid, t, height), np.interp(grid, t, speed)
    high = height >= settings.altitude_m
    best = float(speed[high].max()) if high.any() else None

    def with_altitude(altitude_m: float) -> float:
        changed = GateSettings(altitude_m, settings.speed_m_s, settings.altitude_latches)
        return control_time_s(height, speed, _GRID_S, changed)

    def with_speed(speed_m_s: float) -> float:
        changed = GateSettings(settings.altitude_m, speed_m_s, settings.altitude_latches)
        return control_time_s(height, speed, _GRID_S, changed)

    return replace(
        nothing,
        altitude_for_least_m=_greatest(with_altitude, float(height.max()), settings.least_control_s),
        speed_for_least_m_s=_greatest(with_speed, float(speed.max()), settings.least_control_s),
        short_of_altitude_m=max(0.0, settings.altitude_m - float(height.max())),
        short_of_speed_m_s=None if best is None else max(0.0, settings.speed_m_s - best),
    )


def _greatest(control_s: Callable[[float], float], most: float, least_s: float) -> float | None:
    """Return the greatest setting from 0 to `most` that gives the least time; a higher one never gives more."""
    if control_s(0.0) < least_s:
        return None
    low, high = 0.0, max(most, 0.0)
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if control_s(middle) >= least_s else (low, middle)
    return low
