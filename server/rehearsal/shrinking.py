"""The least of a run that still shows what was wrong in it.

Search: delta debugging, the algorithm ddmin of A. Zeller and R. Hildebrandt, "Simplifying and isolating failure-
inducing input", IEEE Transactions on Software Engineering 28(2), 2002, pages 183 to 200, over frames and over channels
(one not kept tells all along what it told at the beginning), round after round until a whole round leaves all as it was:
then no single frame can be left out. Each try is a rehearsal of its own, every step answered before the next. The search
ends after so many tries and so many cycles flown, with the least that was found.

A frame is left out in one of two ways. It is *cut*: what follows moves up, each step as long as it was. Or it is *joined*:
the next frame kept takes its time over, and one step becomes long. Coarse before fine: first only every 64th frame is kept
where nothing is controlled, then every 32nd, and so on.

What is not a number is wrong by itself, however long a step is; there frames keep their times. What is wrong beside the
twin's own computer only is another matter, since a long step alone takes flight code away from it. So steps are joined
only where neither the frame before nor any in the step is controlled (a control step is as long as it was in the flight),
and a try counts only when the twin's own computer, running one cycle as long as each step, stays within a part of the
bound of itself running its own, in that component: then the length of the steps is no explanation of it. What one frame
begins, control at a height, must begin in the same frame for both, so the last joined step is made as long as that takes.
A try that shows the same, but not with what began in that frame of the flight, in another phase, or not half as far apart as
there, shows something else.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, TypeVar

from protocol.dictionary import Dictionary
from server.rehearsal.cases import Case, Moment, Player
from server.rehearsal.conversation import RehearsalProblem
from server.rehearsal.flown import Flown
from server.rehearsal.judging import APART, BY_ITSELF, Bounds, Wrong, believed_of, bound_of, strays
from server.rehearsal.plant import CYCLE_S
from server.rehearsal.sensor_faults import Stimulus
from server.rehearsal.shadow import Believed, Shadow

TRIES = 1500
CYCLES = 600_000
CYCLE_US = round(CYCLE_S * 1e6)
AIMED_CYCLES = 200  # longer, at most, than the step is
FAR_SHARE = 0.5
DRIFT_US = 2_000_000
BEFORE_CONTROL = 8  # frames before control kept as they are at first: computers begin it a few frames apart
THINNED = (64, 32, 16, 8, 4, 2)
Item = TypeVar("Item")


class Step(NamedTuple):
    """A moment of a flight, how long it came after the one before (us), and whether that is longer than in the flight."""

    gap_us: int
    moment: Moment
    joined: bool = False


def shrunk(player: Player, moments: Sequence[Moment], wrong: Wrong, dictionary: Dictionary) -> Case:
    """Return the least of a run that still shows what was wrong in it.

    Raises RehearsalProblem when playing it again does not.
    """
    rest = {name: values for _, stimuli in reversed(moments) for name, _, values in stimuli}
    within = _times_beyond(wrong, player.judge.bounds) * FAR_SHARE
    search = _Search(player.asked_for(max(1.0, within)), player.judge.bounds, wrong, dictionary, rest)
    channels = [channel.path for packet in dictionary.stimuli.values() for channel in packet.channels]
    left = _steps([moment for moment in moments if moment[0] <= wrong.time_us])
    if wrong.kind == APART and not wrong.began:  # it drifts beyond its bound: a little coarser, it does so a little later
        left = _steps([moment for moment in moments if moment[0] <= wrong.time_us + DRIFT_US])
    if not search.shows(left, channels):
        left = _steps(moments)
        if not search.shows(left, channels):
            raise RehearsalProblem("Played again, the same stimuli do not show it: not reproduced.")
    left, kept, least = search.smaller(left, channels)
    player.tries = search.player.tries
    firmware, within = player.talk.firmware, max(1.0, within)
    made = search.made(left, kept)
    return Case(made, wrong.kind, wrong.component, kept, firmware, dictionary.hash32, within, least)


@dataclass
class _Search:
    """Tries parts of one run. `rest` is what each stimulus told at the beginning."""

    player: Player
    bounds: Bounds  # as they were for the flight
    wrong: Wrong
    dictionary: Dictionary
    rest: Mapping[str, Sequence[float]]
    cycles: int = 0  # of the twin's own computer, which take the most time
    seen: int = 0  # the frame in which it showed last
    phase: str = ""  # in which it showed first, by the twin's own computer
    controlled: set[int] = field(default_factory=set)  # moments, by their time, at or after which control was on

    def __post_init__(self) -> None:
        self._tries = self.player.tries

    @property
    def spent(self) -> bool:
        """Whether no more may be tried."""
        return self.player.tries - self._tries >= TRIES or self.cycles >= CYCLES

    def made(self, some: Sequence[Step], kept: Sequence[str]) -> list[Moment]:
        """Return the moments to play."""
        timed = [step.moment for step in some] if self.wrong.kind in BY_ITSELF else moved_together(some)
        return [(t, _only(stimuli, kept, self.rest, self.dictionary)) for t, stimuli in timed]

    def shows(self, some: Sequence[Step], kept: Sequence[str]) -> bool:
        """Tell whether they show the same: kind, component, and what began in that frame."""
        if not some or self.spent:
            return False
        moments = self.made(some, kept)
        self.cycles += moments[-1][0] // CYCLE_US
        flown, believed, wrongs = self.player.judged(moments)
        if not self.controlled:
            self.controlled = _controlled(some, believed)
        seen = next((w for w in wrongs if (w.kind, w.component) == (self.wrong.kind, self.wrong.component)), None)
        if seen is None or not set(self.wrong.began) <= set(seen.began):
            return False
        if self.wrong.kind not in BY_ITSELF and not self._is_fair(some, flown, believed):
            return False
        theirs = believed[seen.frame] if seen.frame < len(believed) else None
        phase = theirs.phase if theirs is not None else ""
        self.phase = self.phase or phase
        if self.wrong.kind == APART and phase != self.phase:
            return False
        self.seen = seen.frame
        return True

    def _is_fair(self, some: Sequence[Step], flown: Flown, believed: Sequence[Believed | None]) -> bool:
        """Tell whether the length of the steps is no explanation."""
        if not any(step.joined for step in some):
            return True
        controls = False
        for step, theirs in zip(some, believed, strict=False):
            before, controls = controls, theirs is not None and theirs.controls
            if step.joined and (before or controls):
                return False
        long_cycles = believed_of(Shadow(self.player.vehicle, self.dictionary, long_cycles=True), flown)
        return not any(
            strays(one, other, self.wrong.component, self.bounds)
            for one, other in zip(long_cycles, believed, strict=True)
            if one is not None and other is not None
        )

    def smaller(self, left: list[Step], kept: list[str]) -> tuple[list[Step], list[str], bool]:
        """Return the least found, its channels, and whether no single frame of it can be left out."""
        whole = left
        kept = self._channels(self._thinned(whole, kept), kept)
        left = self._joined(self._thinned(whole, kept), kept, BEFORE_CONTROL)  # with less that moves, coarser ones will do
        while not self.spent:
            before = len(left), len(kept)
            left = self._cut(left, kept)
            kept = self._channels(left, kept)
            left = self._joined(left, kept, 0)
            if (len(left), len(kept)) == before:
                return left, kept, not self.spent
        return left, kept, False

    def _channels(self, left: Sequence[Step], kept: Sequence[str]) -> list[str]:
        return ddmin(kept, lambda some: self.shows(left, some))

    def _cut(self, left: Sequence[Step], kept: Sequence[str]) -> list[Step]:
        return ddmin(left, lambda some: self.shows(some, kept))

    def _thinned(self, left: list[Step], kept: Sequence[str]) -> list[Step]:
        """Return every so manieth frame before control, and of those after it, each time as few as still show it."""
        controlled = [n for n, step in enumerate(left) if step.moment[0] in self.controlled]
        whole = range(controlled[0] - BEFORE_CONTROL, controlled[-1] + 1) if controlled else range(0)
        before = range(whole.start) if controlled else range(len(left) - 1)
        for places in (before, range(whole.stop, len(left)) if controlled else range(0)):
            times = {left[n].moment[0] for n in places if n < len(left)}
            for part in THINNED:
                some = [n for n, step in enumerate(left) if step.moment[0] not in times or n % part == 0]
                thin = self._aimed(joined(left, some), kept, True)
                if len(thin) < len(left) and self.shows(thin, kept):
                    left = thin[: self.seen + 1]
                    break
        return left

    def _first_controlled(self, steps: Sequence[Step], none: int) -> int:
        return next((n for n, step in enumerate(steps) if step.moment[0] in self.controlled), none)

    def _joined(self, left: list[Step], kept: Sequence[str], spared: int) -> list[Step]:
        """Return what ddmin leaves when what is left out is joined; so many before control, and all after, are spared."""
        best = left
        end = len(left) if not spared else max(0, self._first_controlled(left, len(left) - 1 + spared) - spared)

        def shows(places: Sequence[int]) -> bool:
            nonlocal best
            some = self._aimed(joined(left, [*places, *range(end, len(left))]), kept)
            if not self.shows(some, kept):
                return False
            best = some
            return True

        ddmin(list(range(end)), shows)
        return best

    def _aimed(self, some: list[Step], kept: Sequence[str], both: bool = False) -> list[Step]:
        """Return the steps with the last joined one before control as long as it must be for control to begin where it did.

        Found by halving, on the twin's own computer alone: nothing is played for it. With `both` its own cycles, too, must
        not let control begin within a long step; that takes longer to find.
        """
        place = self._first_controlled(some, 0)
        aim = next((n for n in range(place - 1, -1, -1) if some[n].joined), -1)
        if self.wrong.kind in BY_ITSELF or aim < 0:
            return some

        def with_gap(cycles: int) -> list[Step]:
            return [*some[:aim], some[aim]._replace(gap_us=cycles * CYCLE_US), *some[aim + 1 :]]

        def begins(steps: Sequence[Step], long_cycles: bool) -> int:
            """Return in which step control begins, one after `place` when in none."""
            shadow = Shadow(self.player.vehicle, self.dictionary, long_cycles)
            self.cycles += 0 if long_cycles else sum(step.gap_us for step in steps[: place + 1]) // CYCLE_US
            for n, (_, stimuli) in enumerate(self.made(steps[: place + 1], kept)):
                if shadow.take(stimuli[-1][1], [(name, values) for name, _, values in stimuli]).controls:
                    return n
            return place + 1

        def aimed(steps: list[Step], wanted: int, long_cycles: bool) -> list[Step]:
            if begins(steps, long_cycles) == wanted:
                return steps
            low, high = 0, steps[aim].gap_us // CYCLE_US + AIMED_CYCLES
            while high - low > 1:
                middle = (low + high) // 2
                found = begins(with_gap(middle), long_cycles)
                if found == wanted:
                    return with_gap(middle)
                low, high = (middle, high) if found > wanted else (low, middle)
            return steps

        some = aimed(some, place, True)
        if not both or self.wrong.began or begins(some, False) > aim:
            return some
        return aimed(some, aim + 1, False)  # its own cycles would let it begin within the long step


def _times_beyond(wrong: Wrong, bounds: Bounds) -> float:
    """Return how many times its bound a component of the state was apart when that was noticed; 0 for all else."""
    bound = bound_of(wrong.component, bounds, deployed=False) if wrong.kind == APART else None
    return 0.0 if bound is None or wrong.wanted is None else abs(wrong.told - wrong.wanted) / bound


def _controlled(steps: Sequence[Step], believed: Sequence[Believed | None]) -> set[int]:
    """Return the times in the flight of the moments at which control was on, or was at the one before."""
    on = [theirs is not None and theirs.controls for theirs in believed]
    return {step.moment[0] for step, now, before in zip(steps, on, [False, *on], strict=False) if now or before} or {-1}


def _steps(moments: Sequence[Moment]) -> list[Step]:
    times = [time_us for time_us, _ in moments]
    return [Step(now - before, moment) for before, now, moment in zip([0, *times], times, moments, strict=False)]


def joined(steps: Sequence[Step], places: Sequence[int]) -> list[Step]:
    """Return the steps at these places, rising, each with the time of those left out before it."""
    out: list[Step] = []
    after = 0
    for place in places:
        gap_us = sum(step.gap_us for step in steps[after : place + 1])
        step = steps[place]
        out.append(Step(gap_us, step.moment, step.joined or place > after))
        after = place + 1
    return out


def moved_together(steps: Sequence[Step]) -> list[Moment]:
    """Return the moments of steps, each as long after the one before as the step says."""
    out: list[Moment] = []
    time_us = 0
    for step in steps:
        time_us += step.gap_us
        then_us, stimuli = step.moment
        out.append((time_us, tuple((name, max(0, at + time_us - then_us), values) for name, at, values in stimuli)))
    return out


def ddmin(items: Sequence[Item], shows: Callable[[Sequence[Item]], bool]) -> list[Item]:
    """Return a part of `items`, in order, that still shows it and of which no single one can be left out.

    Of the two tests of ddmin the one for a part alone is made for halves only: a filter must run in, and a small part
    hardly ever shows anything. What is left after a part was left out is looked through from there on, not from the front.
    """
    left, parts = list(items), 2
    if left and shows([]):
        return []
    while len(left) >= 2:
        half = len(left) // 2
        smaller = next((cut for cut in (left[:half], left[half:]) if shows(cut)), None) if parts == 2 else None
        if smaller is not None:
            left = smaller
            continue
        size, before = -(-len(left) // parts), len(left)
        at = 0
        while at < len(left) and len(left) > 1:
            rest = left[:at] + left[at + size :]
            if rest and shows(rest):
                left = rest
            else:
                at += size
        if len(left) < before:
            parts = max(2, -(-len(left) // size))
            if size == 1 or parts > 2:
                continue
        if size == 1:
            break
        parts = min(len(left), parts * 2)
    return left


def _only(
    stimuli: Sequence[Stimulus], kept: Sequence[str], rest: Mapping[str, Sequence[float]], dictionary: Dictionary
) -> tuple[Stimulus, ...]:
    """Return stimuli with only the kept channels moving; one without any of them, and not the step, is not played."""
    assert dictionary.rehearsal is not None
    out: list[Stimulus] = []
    for name, time_us, values in stimuli:
        paths = [channel.path for channel in dictionary.stimuli[name].channels]
        moving = [path in kept for path in paths]
        if any(moving) or name == dictionary.rehearsal.step:
            out.append((name, time_us, tuple(v if m else r for v, m, r in zip(values, moving, rest[name], strict=True))))
    return tuple(out)
