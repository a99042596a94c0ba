"""The computer and the simulated vehicle flown together over a port: each by its own clock, and neither waits.

A moment comes every 10 ms of the vehicle's clock, whatever the computer does: the physics goes on with what was ordered
last. An order acts from the moment after the one in which its answer came. While a step is not answered the next is not
sent, so that no two are ever under way at once: the computer misses that moment, as it would a sample. What is no step
waits for the next one. The loop's delay is a property of cable, adapter and this computer, which no flight has; so a
flight with too much of it is invalid, and neither passed nor failed.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from server.rehearsal.answers import Answer
from server.rehearsal.closed_loop import Flight, Plan
from server.rehearsal.conversation import Conversation, Ended, RehearsalProblem, StoodStill
from server.rehearsal.flown import Flown, Frame
from server.rehearsal.plant import CYCLE_S
from server.rehearsal.sensor_faults import Stimulus

LOST_S = 0.25  # an answer that has not come by then was lost on the cable, and the next step goes
SILENT_S = 2.0
SHARE_LATE = 0.01
GREATEST_TIMES = 5.0
CRYSTAL = 0.02  # no quartz is off by so much; a clock that is belongs to an emulated computer


def pace_of(measured: float) -> float:
    """Return how many seconds of the vehicle's clock go by in one of ours: 1 where it is a real clock, 0 where unknown."""
    return 1.0 if abs(measured - 1.0) <= CRYSTAL else measured


@dataclass
class _Asked:
    """The step under way: its place in the frames, when it was sent."""

    frame: int
    sent_s: float


class _Paced:
    """One flight. `now` is our clock in s; `pace` tells how fast the vehicle's goes by it."""

    def __init__(self, talk: Conversation, plan: Plan, now: Callable[[], float], pace: float) -> None:
        self.flight = Flight(talk, plan)
        self._talk, self._now, self._pace = talk, now, pace
        self._begun_s = now()
        self._asked: _Asked | None = None
        self._answer: Answer | None = None
        self._answered_s = self._begun_s
        self._held: list[Stimulus] = []
        self.delays_s: list[float] = []
        self.missed = 0

    def moment(self) -> None:
        """Let one moment pass: tell the sensors' values, listen, move the vehicle, wait for the next."""
        flight, plant = self.flight, self.flight.plant
        until_s = self._begun_s + (plant.time_s + CYCLE_S) / self._pace
        stimuli = self._held + flight.due()
        if self._is_free(until_s):
            self._held = []
            self._send(stimuli)
        else:
            self.missed += bool(stimuli)
            self._held = self._others(stimuli)
            flight.take([], None)
        while self._asked is not None and (left := until_s - self._now()) > 0.0:
            self._hear(left)
        plant.step()
        while True:
            self._hear(max(0.0, until_s - self._now()))
            if self._now() >= until_s:
                break
        if self._answer is not None:
            flight.obey(self._answer)
            self._answer = None

    def _is_free(self, until_s: float) -> bool:
        """Tell whether this moment's step may go: the last is answered or lost, and its time is not over already."""
        now = self._now()
        if now - self._answered_s > SILENT_S:
            raise RehearsalProblem(f"No answer to stimulus {self._talk.number} within {SILENT_S:g} s.")
        if self._asked is not None and now - self._asked.sent_s > LOST_S:
            self._asked = None
        return self._asked is None and now < until_s

    def _send(self, stimuli: list[Stimulus]) -> None:
        frames = self.flight.flown.frames
        self.flight.take(stimuli, None)
        if not stimuli:
            self._answered_s = self._now()  # a fault asked for keeps everything back: nothing can answer
            return
        sent_s = self._talk.send(stimuli)
        self._asked = _Asked(len(frames) - 1, sent_s)

    def _others(self, stimuli: Sequence[Stimulus]) -> list[Stimulus]:
        step = self._talk.dictionary.rehearsal.step if self._talk.dictionary.rehearsal is not None else ""
        return [stimulus for stimulus in stimuli if stimulus[0] != step]

    def _hear(self, wait_s: float) -> None:
        answer = self._talk.hear(wait_s)
        if answer is None or self._asked is None:
            return
        self._answered_s = self._now()
        frames, asked = self.flight.flown.frames, self._asked
        frames[asked.frame] = Frame(frames[asked.frame].time_us, frames[asked.frame].stimuli, answer)
        self.delays_s.append((self._answered_s - asked.sent_s) * self._pace)
        self._answer, self._asked = answer, None


def fly_paced(talk: Conversation, plan: Plan, now: Callable[[], float], pace: float = 1.0) -> Flown:
    """Fly a computer at the other end of a port; the rehearsal has begun. Delays are told in seconds of its own clock."""
    begun_s = now()
    paced = _Paced(talk, plan, now, pace)
    flown = paced.flight.flown
    try:
        while not paced.flight.over():
            paced.moment()
    except StoodStill as problem:
        flown.invalid = str(problem).rstrip(".")
    except (Ended, RehearsalProblem) as problem:
        flown.ended = str(problem)
    paced.flight.done(now() - begun_s)
    flown.delays_s, flown.missed = paced.delays_s, paced.missed
    assert talk.dictionary.rehearsal is not None
    flown.invalid = flown.invalid or invalid(flown.delays_s, flown.missed, talk.dictionary.rehearsal.delay_s)
    return flown


def invalid(delays_s: Sequence[float], missed: int, bound_s: float) -> str:
    """Say why a flight shows nothing about the computer, "" when it does: delays of its loop (s), steps it missed."""
    steps = len(delays_s) + missed
    late = missed + sum(delay > bound_s for delay in delays_s)
    greatest = max(delays_s, default=0.0)
    if late > SHARE_LATE * steps:
        told = f"{late} of {steps} steps were answered later than {bound_s * 1e3:g} ms or missed"
        return f"{told}; one in a hundred may be"
    if greatest > GREATEST_TIMES * bound_s:
        return f"one step was answered after {greatest * 1e3:.0f} ms; {GREATEST_TIMES * bound_s * 1e3:g} ms may be"
    return ""


def spread(delays_s: Sequence[float]) -> tuple[tuple[float, float, float], tuple[float, float]]:
    """Return (median, 99th percentile, greatest) of the loop's delay, (99th percentile, greatest) of its jitter, s.

    The jitter is how far a delay is from the median, either way. Not a number where there are none.
    """
    if not delays_s:
        return (math.nan,) * 3, (math.nan,) * 2
    middle = statistics.median(delays_s)
    jitter = [abs(delay - middle) for delay in delays_s]
    return (middle, _percentile(delays_s, 0.99), max(delays_s)), (_percentile(jitter, 0.99), max(jitter))


def _percentile(values: Sequence[float], share: float) -> float:
    return sorted(values)[max(0, math.ceil(share * len(values)) - 1)]
