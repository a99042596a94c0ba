"""Is the vehicle's state vector believable? What is wrong, which component, from which frame on and for how many frames.

Five kinds of trouble, each kept as an episode that is told when it is raised and when it is over:

    nonfinite    a component is NaN or infinite (IEEE 754)
    frozen       every component bit for bit as before, for `FROZEN_FRAMES` frames, while the caller says the vehicle moves
    bounds       a component outside its declared range, or a quaternion whose length is off one by more than 1 %
    jump         between two finite frames of the same group, a change greater than motion allows (see `_jumps`); a fall
                 that ends is the ground, where a height by pressure still settles for `SETTLES_S`, and a velocity that
                 stops for another reason parts from the ground's estimate
    divergence   height or climb rate further than `SIGMAS` combined standard deviations from the ground's own estimate
                 for more than `DIVERGED_S`

What motion allows is kinematics (any textbook of mechanics): |dp - v dt| <= a dt^2 / 2, |dv| <= a dt, turn <= rate dt. The
allowances on top are common practice, no source; over 45 flights of the simulated vehicle (0-25 % loss) the greatest honest
values were 0.5 m of position beside v dt per frame, 98 m/s2 (ejection, landing), 0.02 rad of turn beside the rates.

The ground's estimate and the vehicle's hear the same pressure, so that a port reading low in the flow cancels only in part:
each height is allowed `PORT_SHARE` of the dynamic pressure, which is PORT_SHARE v^2 / 2g in meters whatever the density, and
each climb rate that height over `DIVERGED_S`. The puff of an ejection charge (some 0.1 s) is over before `DIVERGED_S` is.
Two honest formulas for height differ by a share of it, that of the air's temperature: firmware often takes standard air.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from protocol.arrays import Bools, Floats, Ints
from protocol.units import GRAVITY_M_S2
from server.flight.sensors.state_jumps import SETTLES_S, last_stop, moved, sped, turned
from server.flight.sensors.state_row import JUMP_GAP_S, LENGTH_OFF, Limits, follows, is_near, is_within, rests

POSITION = ("position.east", "position.north", "position.up")
VELOCITY = ("velocity.east", "velocity.north", "velocity.up")
QUATERNION = tuple(f"attitude_quaternion.{part}" for part in "wxyz")
RATES = tuple(f"body_rate.{axis}" for axis in "xyz")
COMPONENTS = (*POSITION, *VELOCITY, *QUATERNION, *RATES)
PLACE = {name: place for place, name in enumerate(COMPONENTS)}
_P, _V, _Q = slice(0, 3), slice(3, 6), slice(6, 10)

GROUPS = ("position", "velocity", "attitude")
KINDS = ("nonfinite", "frozen", "bounds", "jump", "divergence")
FROZEN_FRAMES = 5
CLEAR_FRAMES = 20  # an episode is over after so many frames without the trouble
SIGMAS = 5.0
DIVERGED_S = 1.0
DIVERGED_FRAMES = 5
VEHICLE_HEIGHT_M, VEHICLE_CLIMB_M_S = 1.0, 1.0  # what an honest estimate on board is allowed, one sigma
PORT_SHARE = 0.01


@dataclass(frozen=True)
class GroundEstimate:
    """The ground's height (m) and climb (m/s) at each row with one sigma each; NaN where it has none. Shapes (n,).

    `other_formula_share`: by how much of each the vehicle's may differ by its formula for height alone, without being wrong.
    """

    height_m: Floats
    height_sigma_m: Floats
    climb_m_s: Floats
    climb_sigma_m_s: Floats
    other_formula_share: float = 0.0


@dataclass(frozen=True)
class Episode:
    """One stretch of trouble. Rows count from the first row ever taken; `frames` are those that showed the trouble."""

    kind: str
    components: tuple[str, ...]
    first_row: int
    first_t: float
    last_row: int
    last_t: float
    frames: int
    open: bool


@dataclass(frozen=True)
class EpisodeChange:
    """An episode was raised or has ended (`episode.open` tells) when row `row`, at time `t`, was taken."""

    row: int
    t: float
    episode: Episode


_Since = tuple[int, float, int]  # row and time at which it began, frames so far
_Hit = tuple[int, int, tuple[str, ...], _Since | None]  # row, place in KINDS, components, since when if before this row


class _Track:
    """The episode of one kind that is open, if one is."""

    def __init__(self, kind: str) -> None:
        self.kind = kind
        self.episode: Episode | None = None

    def hit(self, row: int, t: float, names: tuple[str, ...], since: _Since | None, out: list[EpisodeChange]) -> None:
        """Note a troubled row; `since` dates a new episode back to (row, t) with so many frames so far."""
        old = self.episode
        if old is None:
            first_row, first_t, frames = since or (row, t, 1)
            self.episode = Episode(self.kind, names, first_row, first_t, row, t, frames, True)
            out.append(EpisodeChange(row, t, self.episode))
            return
        seen = old.components
        if names != seen:
            seen = tuple(name for name in COMPONENTS if name in seen or name in names)
        self.episode = replace(old, components=seen, last_row=row, last_t=t, frames=old.frames + 1)

    def end(self, row: int, t: float, out: list[EpisodeChange]) -> None:
        """Close the episode."""
        if self.episode is not None:
            out.append(EpisodeChange(row, t, replace(self.episode, open=False)))
            self.episode = None


class StateHealth:
    """Takes frames of the state vector in order, in arrays of any length; the same frames give the same changes in any cut.

    `ranges` maps component names (`COMPONENTS`) to (lowest, highest). Nothing that is not finite reaches any computation.
    """

    def __init__(self, ranges: Mapping[str, tuple[float, float]] | None = None, limits: Limits | None = None) -> None:
        self._limits = limits or Limits()
        self._low, self._high = np.full(13, -np.inf), np.full(13, np.inf)
        for name, (low, high) in (ranges or {}).items():
            self._low[PLACE[name]], self._high[PLACE[name]] = low, high
        self._range = self._low.tolist(), self._high.tolist()
        self._tracks = {kind: _Track(kind) for kind in KINDS}
        self.rows = 0
        self._last_t = -np.inf
        self.restart()

    def restart(self) -> None:
        """Forget the frames before: the vehicle started anew, and nothing ties its next frame to the last one."""
        self._before: Ints | None = None  # the bits of the last frame's components
        self._group_before: dict[str, tuple[float, Floats]] = {}
        self._stop_s = -np.inf  # when it was last seen to hit the ground
        self._same = (0, 0, 0.0)  # frames alike so far, row and time of the first of them
        self._far = (0, 0, 0.0)  # diverged frames in a row, row and time of the first of them

    def take(
        self,
        t_s: Floats,
        columns: Mapping[str, Floats],
        moving: Bools | None = None,
        ground: GroundEstimate | None = None,
    ) -> list[EpisodeChange]:
        """Return what was raised or ended by these rows, in order.

        `columns` holds any of `COMPONENTS`, each of shape (n,); the same ones in every call. `moving` tells for each row
        whether something else proves motion (an accelerometer, or being in flight); without it nothing counts as frozen.
        A row not after the one before (late or repeated) is looked at for its own numbers only.
        """
        count = len(t_s)
        if count == 0 or (count == 1 and self._is_calm(float(t_s[0]), columns, moving, ground)):
            return []
        t_s = np.asarray(t_s, dtype=np.float64)
        state = np.full((count, 13), np.nan)
        have = np.zeros(13, dtype=bool)
        for name, values in columns.items():
            if name in PLACE:
                state[:, PLACE[name]], have[PLACE[name]] = values, True
        finite = np.isfinite(state)
        moves = np.zeros(count, dtype=bool) if moving is None else np.asarray(moving, dtype=bool)
        t_s, fresh = self._clock(t_s)
        hits = _named(0, ~finite & have)
        hits += self._frozen(t_s, state, have, moves, fresh)
        hits += _named(2, self._outside(state, finite))
        hits += self._jumps(t_s, state, finite, moves, fresh)
        if ground is not None:
            hits += self._divergence(t_s, state, ground, fresh)
        changes = self._tell(t_s, hits)
        self.rows += count
        return changes

    def open_episodes(self) -> list[Episode]:
        """Return what is going on now, for instance at the end of a recording."""
        return [track.episode for track in self._tracks.values() if track.episode is not None]

    # ------------------------------------------------------------ one row in order

    def _is_calm(
        self, t_s: float, columns: Mapping[str, Floats], moving: Bools | None, ground: GroundEstimate | None
    ) -> bool:
        """Take a row that surely shows no trouble, while none is open; any other is left alone, and told by False."""
        if not self._last_t < t_s < np.inf or self._far[0] or any(track.episode for track in self._tracks.values()):
            return False
        if not columns.keys() >= PLACE.keys():
            return False
        row = [float(columns[name][0]) for name in COMPONENTS]
        if not is_within(row, *self._range) or not self._surely_agrees(row, ground) or not self._surely_follows(t_s, row):
            return False
        kept = np.array(row)
        bits = kept.view(np.int64)
        if moving is not None and moving[0] and self._before is not None and (bits == self._before).all():
            return False
        self._before, self._same = bits, (1, self.rows, t_s)
        before = self._group_before.get("position")
        if before is not None and before[1][5] < 0.0 and rests(row):
            self._stop_s = t_s
        self._group_before = dict.fromkeys(GROUPS, (t_s, kept))
        self._last_t = t_s
        self.rows += 1
        return True

    def _surely_follows(self, t_s: float, row: list[float]) -> bool:
        known = list(self._group_before.values())
        if not known:
            return True
        before_t, before = known[0]
        # Of one moment are only parts of one row: no two rows that are looked at have the same.
        if len(known) < len(GROUPS) or any(at != before_t for at, _ in known):
            return False
        return follows(before.tolist(), row, t_s - before_t, self._limits)

    def _surely_agrees(self, row: list[float], ground: GroundEstimate | None) -> bool:
        if ground is None:
            return True
        height, height_sigma = float(ground.height_m[0]), float(ground.height_sigma_m[0])
        climb, climb_sigma = float(ground.climb_m_s[0]), float(ground.climb_sigma_m_s[0])
        port = PORT_SHARE * (climb * climb) / (2.0 * GRAVITY_M_S2)
        port_climb = port / DIVERGED_S
        height_sigma = sqrt(height_sigma * height_sigma + VEHICLE_HEIGHT_M * VEHICLE_HEIGHT_M + port * port)
        climb_sigma = sqrt(climb_sigma * climb_sigma + VEHICLE_CLIMB_M_S * VEHICLE_CLIMB_M_S + port_climb * port_climb)
        share = ground.other_formula_share
        return is_near(row[2], height, height_sigma, SIGMAS, share) and is_near(row[5], climb, climb_sigma, SIGMAS, share)

    # ------------------------------------------------------------ episodes

    def _tell(self, t_s: Floats, hits: list[_Hit]) -> list[EpisodeChange]:
        """Walk through the troubled rows only; between them episodes run out."""
        changes: list[EpisodeChange] = []
        hits.sort(key=lambda hit: (hit[0], hit[1]))
        for row, kind, names, since in hits:
            track = self._tracks[KINDS[kind]]
            self._run_out(track, self.rows + row - 1, t_s, changes)
            track.hit(self.rows + row, float(t_s[row]), names, since, changes)
        for track in self._tracks.values():
            self._run_out(track, self.rows + len(t_s) - 1, t_s, changes)
        changes.sort(key=lambda change: (change.row, KINDS.index(change.episode.kind)))
        return changes

    def _run_out(self, track: _Track, upto: int, t_s: Floats, out: list[EpisodeChange]) -> None:
        if track.episode is not None and upto >= track.episode.last_row + CLEAR_FRAMES:
            row = track.episode.last_row + CLEAR_FRAMES
            track.end(row, float(t_s[row - self.rows]), out)

    def _clock(self, t_s: Floats) -> tuple[Floats, Bools]:
        """Return times, all of them finite, and which rows are later than every row before them."""
        finite = np.isfinite(t_s)
        highest = np.maximum.accumulate(np.concatenate(([self._last_t], np.where(finite, t_s, -np.inf))))
        self._last_t = float(highest[-1])
        known = np.where(np.isfinite(highest), highest, 0.0)
        return np.where(finite, t_s, known[:-1]), finite & (np.where(finite, t_s, -np.inf) > highest[:-1])

    # ------------------------------------------------------------ the kinds of trouble

    def _outside(self, state: Floats, finite: Bools) -> Bools:
        with np.errstate(invalid="ignore", over="ignore"):
            outside = ((state < self._low) | (state > self._high)) & finite
            length = np.sqrt(
                state[:, 6] * state[:, 6] + state[:, 7] * state[:, 7] + state[:, 8] * state[:, 8] + state[:, 9] * state[:, 9]
            )
            off = finite[:, _Q].all(axis=1) & (np.abs(length - 1.0) > LENGTH_OFF)
        outside[:, _Q] |= off[:, None]
        return outside

    def _frozen(self, t_s: Floats, state: Floats, have: Bools, moves: Bools, fresh: Bools) -> list[_Hit]:
        """Count frames alike in every bit, but only those in which the vehicle is said to move."""
        rows = np.flatnonzero(fresh)
        if not len(rows) or not have.any():
            return []
        bits = np.ascontiguousarray(state[rows][:, have]).view(np.int64)
        before = self._before if self._before is not None else ~bits[0]
        alike = (bits == np.concatenate((before[None, :], bits[:-1]))).all(axis=1) & moves[rows]
        self._before = bits[-1]
        if not alike.any():
            self._same = (1, self.rows + int(rows[-1]), float(t_s[rows[-1]]))
            return []
        names = tuple(COMPONENTS[place] for place in np.flatnonzero(have))
        hits: list[_Hit] = []
        same = self._same
        for row, again in zip(rows.tolist(), alike.tolist(), strict=True):
            same = (same[0] + 1, same[1], same[2]) if again else (1, self.rows + row, float(t_s[row]))
            if same[0] >= FROZEN_FRAMES:
                hits.append((row, 1, names, (same[1], same[2], same[0])))
        self._same = same
        return hits

    def _jumps(self, t_s: Floats, state: Floats, finite: Bools, moves: Bools, fresh: Bools) -> list[_Hit]:
        """Compare each finite frame of a group with the finite one before it.

        A navigation that stands still may set itself back to exactly zero after it was touched; that is no jump.
        """
        still = ~moves & (state[:, 0:6] == 0.0).all(axis=1)
        limits = self._limits
        jumped = np.zeros((len(t_s), 13), dtype=bool)
        for group, parts, judge in zip(GROUPS, (_P, _V, _Q), (moved, sped, turned), strict=True):
            rows = np.flatnonzero(fresh & finite[:, parts].all(axis=1))
            if not len(rows):
                continue
            here = state[rows]
            before_t, before = self._group_before.get(group, (-np.inf, here[0]))
            earlier = np.concatenate((before[None, :], here[:-1]))
            dt = t_s[rows] - np.concatenate(([before_t], t_s[rows[:-1]]))
            self._group_before[group] = (float(t_s[rows[-1]]), here[-1].copy())
            judged = (dt <= JUMP_GAP_S) & ~still[rows]
            if group == "position":
                stop_s = last_stop(t_s[rows], earlier, here, self._stop_s)
                self._stop_s = float(stop_s[-1])
                judged &= t_s[rows] - stop_s > SETTLES_S
            with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
                found = judged & judge(earlier, here, np.where(judged, dt, 0.0), limits)
            jumped[rows[found], parts] = True
        return _named(3, jumped)

    def _divergence(self, t_s: Floats, state: Floats, ground: GroundEstimate, fresh: Bools) -> list[_Hit]:
        with np.errstate(invalid="ignore", over="ignore"):
            port = PORT_SHARE * np.square(ground.climb_m_s) / (2.0 * GRAVITY_M_S2)
            share = ground.other_formula_share
            height = np.abs(state[:, 2] - ground.height_m) - share * np.abs(ground.height_m)
            height_sigma = np.sqrt(ground.height_sigma_m**2 + VEHICLE_HEIGHT_M**2 + port * port)
            climb = np.abs(state[:, 5] - ground.climb_m_s) - share * np.abs(ground.climb_m_s)
            climb_sigma = np.sqrt(ground.climb_sigma_m_s**2 + VEHICLE_CLIMB_M_S**2 + (port / DIVERGED_S) ** 2)
            far_height, far_climb = height > SIGMAS * height_sigma, climb > SIGMAS * climb_sigma
            known = fresh & (np.isfinite(height - height_sigma) | np.isfinite(climb - climb_sigma))
        rows = np.flatnonzero(known)
        far = far_height | far_climb
        if not self._far[0] and not far[rows].any():
            return []
        hits: list[_Hit] = []
        run = self._far
        for row in rows.tolist():
            if not far[row]:
                run = (0, 0, 0.0)
                continue
            run = (run[0] + 1, run[1], run[2]) if run[0] else (1, self.rows + row, float(t_s[row]))
            if run[0] >= DIVERGED_FRAMES and t_s[row] - run[2] > DIVERGED_S:
                names = (*(["position.up"] if far_height[row] else []), *(["velocity.up"] if far_climb[row] else []))
                hits.append((row, 4, names, (run[1], run[2], run[0])))
        self._far = run
        return hits


def _named(kind: int, flags: Bools) -> list[_Hit]:
    """Return a hit for each row with a flag, naming its components."""
    return [
        (int(row), kind, tuple(COMPONENTS[place] for place in np.flatnonzero(flags[row])), None)
        for row in np.flatnonzero(flags.any(axis=1))
    ]
