"""The example flight computer at the other end of a pipe, flown once for all tests of this folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache

from protocol.fields import Value
from server.cli.rehearse import fly, met
from server.rehearsal.answers import Answer, AnswerReader
from server.rehearsal.cases import Player
from server.rehearsal.closed_loop import Plan
from server.rehearsal.conversation import Conversation
from server.rehearsal.flown import Flown, Frame
from server.rehearsal.judging import Judge, Wrong
from server.rehearsal.score import Run
from server.rehearsal.sensor_faults import read_fault
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import host_program

STEP_S = 0.01
PHASES = SANDPIPER.roles["vehicle_phase"].values
READER = AnswerReader(SANDPIPER)


def judge() -> Judge:
    """Return the judge of the Sandpiper's answers."""
    return Judge(READER, PHASES)


@contextmanager
def computer(fault: int = 0, *, rehearsal: bool = True) -> Iterator[Conversation]:
    """Start the example with a planted mistake, 0 none, and meet it."""
    with met(host_program(fault, rehearsal), SANDPIPER) as talk:
        yield talk


@cache
def flight(fault: int = 0, seed: int = 2, faults: tuple[str, ...] = ()) -> tuple[Flown, list[Wrong], Run]:
    """Fly once, calm air."""
    with computer(fault) as talk:
        return fly(talk, judge(), Plan(load_scenario("calm"), seed, [read_fault(text, SANDPIPER) for text in faults]), None)


@contextmanager
def player(fault: int = 0) -> Iterator[Player]:
    """Start the example to play moments to."""
    with computer(fault) as talk:
        yield Player(talk, judge(), load_scenario("calm").vehicle())


def answer(number: int, values: Mapping[str, Value], state: Mapping[str, Value]) -> Answer:
    """Return an answer with these values by role, all others zero."""
    packets = [[channel.offset if channel.kind != "text" else "" for channel in channels] for channels in READER.channels]
    for role, value in values.items():
        packet, place = READER.places[role]
        packets[packet][place] = value
    told = dict.fromkeys(READER.state_places, 0) | {"state": 1, "number": number} | dict(state)
    return Answer(number, tuple(map(tuple, packets)), tuple(told.values()))


def made(steps: int, values: Callable[[int], Mapping[str, Value]], **states: Callable[[int], Value]) -> Flown:
    """Return a run of so many steps whose answers have these values by role, and of the packet `rehearsal` by name."""
    frames = []
    for step in range(steps):
        told = answer(step + 1, values(step), {name: of(step) for name, of in states.items()})
        frames.append(Frame(round(step * STEP_S * 1e6), [("sensors", round(step * STEP_S * 1e6), (0.0,) * 13)], told))
    return Flown(frames)


def kinds(wrongs: Sequence[Wrong]) -> list[str]:
    """Return what was wrong, in order."""
    return [wrong.kind for wrong in wrongs]
