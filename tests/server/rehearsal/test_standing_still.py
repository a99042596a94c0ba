"""A machine with too much to do stops the sender or the program: what comes of that says nothing of the flight computer."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Timer

import pytest

from server.cli.rehearse import fly, met
from server.rehearsal.cases import TRIES, Player
from server.rehearsal.closed_loop import Plan
from server.rehearsal.conversation import Conversation, Ended, StoodStill
from server.rehearsal.flown import Frame
from server.rehearsal.judging import ENDED
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.rehearsal.computers import changed_program
from tests.server.rehearsal.helpers import computer, judge, player

REST = (0.0, 0.0, 9.80665, 0.0, 0.0, 0.0) * 2 + (94080.0,)
STILL_S = 1.4  # longer than the Sandpiper's keep-alive time


def step(talk: Conversation, number: int) -> None:
    """Play one step at rest."""
    talk.play([("sensors", 10_000 * number, REST)])


def test_a_sender_that_stood_still_is_told_of_as_that() -> None:
    with computer() as talk:
        talk.begin()
        step(talk, 0)
        time.sleep(STILL_S)
        with pytest.raises(StoodStill, match=r"stimuli stopped, and for 1\.[4-9]\d s nothing was sent or answered"):
            step(talk, 1)


def test_a_computer_that_ends_it_while_stimuli_come_is_to_blame(tmp_path: Path) -> None:
    with met(impatient(tmp_path), SANDPIPER) as talk:
        talk.begin()
        with pytest.raises(Ended, match="stimuli stopped") as ended:
            for number in range(400):
                step(talk, number)
                time.sleep(0.01)
        assert not isinstance(ended.value, StoodStill)


def test_a_flight_that_was_stopped_is_flown_again_and_is_the_same() -> None:
    plan = Plan(load_scenario("calm"), 2, until_s=15.0)
    with computer() as talk:
        whole, _, _ = fly(talk, judge(), plan)
        with stopped_once() as stopped:
            flown, wrongs, run = fly(talk, judge(), plan)
        assert stopped and run.passed and wrongs == []
        assert [packets(frame) for frame in flown.frames] == [packets(frame) for frame in whole.frames]


def test_one_that_always_stands_still_is_invalid_and_not_wrong() -> None:
    with computer() as talk:
        send = talk.send

        def slow(stimuli: list[tuple[str, int, list[float]]]) -> float:
            if talk.number > 40:
                time.sleep(STILL_S)
            return send(stimuli)

        talk.send = slow  # type: ignore[method-assign, assignment]
        _, wrongs, run = fly(talk, judge(), Plan(load_scenario("calm"), 2, until_s=15.0))
        assert "nothing was sent or answered" in run.invalid and wrongs == [] and not run.passed


def test_an_impatient_computer_fails_its_flight(tmp_path: Path) -> None:
    with met(impatient(tmp_path), SANDPIPER) as talk:
        _, wrongs, run = fly(talk, judge(), Plan(load_scenario("calm"), 2, until_s=15.0))
        assert [wrong.kind for wrong in wrongs][-1:] == [ENDED] and not run.invalid


def test_a_case_is_played_again_and_after_some_tries_not_judged() -> None:
    moments = [(10_000 * number, (("sensors", 10_000 * number, REST),)) for number in range(50)]
    with player() as one:
        assert isinstance(one, Player)
        send, seen = one.talk.send, [0]

        def slow(stimuli: list[tuple[str, int, list[float]]]) -> float:
            seen[0] += one.talk.number == 20
            if one.talk.number == 20 and seen[0] <= slow_times:
                time.sleep(STILL_S)
            return send(stimuli)

        one.talk.send = slow  # type: ignore[method-assign, assignment]
        slow_times = 1
        assert one.wrongs(moments)[1] == [] and one.tries == 2
        seen[0], slow_times = 0, TRIES
        with pytest.raises(StoodStill):
            one.wrongs(moments)


def packets(frame: Frame) -> object:
    """Return what was answered but the state of the rehearsal, which counts rehearsals and cycles."""
    return frame.answer.packets if frame.answer is not None else None


def impatient(folder: Path) -> Path:
    """Compile the example with a bench clock that runs two thousand times as fast as it should."""
    return changed_program(
        folder, "fc_main.c", "bh_bench(&c->vehicle, c->bench_ms,", "bh_bench(&c->vehicle, c->bench_ms * 2000u,"
    )


@contextmanager
def stopped_once() -> Iterator[list[int]]:
    """Stop this process's only child soon, and let it go on later than its keep-alive time; yields those stopped."""
    told = subprocess.run(["pgrep", "-P", str(os.getpid()), "-f", "starts"], capture_output=True, text=True, check=True)
    child = int(told.stdout.split()[0])
    stopped: list[int] = []

    def signalled(what: signal.Signals) -> None:
        os.kill(child, what)
        stopped.append(child)

    timers = [Timer(0.2, signalled, [signal.SIGSTOP]), Timer(0.2 + STILL_S, signalled, [signal.SIGCONT])]
    for timer in timers:
        timer.start()
    try:
        yield stopped
    finally:
        for timer in timers:
            timer.join()
