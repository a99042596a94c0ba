"""Faults put on what the flight computer is told, on its power, or on a lateral motor: at a moment, for a while.

    KIND CHANNEL... [at S | at PHASE] [for S | for N frames] [by NUMBER]

    stuck          goes on telling what it told when the fault began
    clipped        tells no more than NUMBER either way
    biased         tells NUMBER too much
    dropped        the whole stimulus does not come, for so long
    not-a-number   tells NaN
    out-of-order   two stimuli change places
    clock-step     times jump by NUMBER seconds and stay so
    loss           a share NUMBER of stimuli does not arrive
    reset          the computer starts anew, and obeys again after so long (0.1 s where nothing is said)
    brown-out      it is without power for so long, then starts anew
    dud            a lateral motor has continuity, takes the current and does not light: `dud channel[2]`
    late           it lights NUMBER seconds after it should: `late channel[2] by 0.3`

A reset and a brown-out only with a program or an emulated board, which can be started anew without a hand on the bench. A
motor is a dud, or late, for the whole flight.
A channel is a role of a stimulus (`gyro.a.z`); its beginning names several (`gyro.a`). Times are those of the rehearsal.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from protocol.dictionary import Dictionary
from protocol.rehearsal import firing_channels
from server.problems import Problem
from server.rehearsal.plant import CYCLE_S
from server.twin.scenario import Scenario

ON_VALUES = ("stuck", "clipped", "biased", "not-a-number")
ON_STIMULI = ("dropped", "out-of-order", "clock-step", "loss")
ON_COMPUTER = ("reset", "brown-out")
ON_MOTORS = ("dud", "late")
KINDS = ON_VALUES + ON_STIMULI + ON_COMPUTER + ON_MOTORS
RESET_S = "0.1"
NEEDS_NUMBER = ("clipped", "biased", "clock-step", "loss", "late")
Stimulus = tuple[str, int, tuple[float, ...]]  # name, us since the beginning, values


class FaultProblem(Problem):
    """A fault that cannot be read; the text is one plain sentence."""


@dataclass(frozen=True)
class SensorFault:
    """One fault. It begins at `at_s`, or with the phase `phase` of the computer; `for_s` may be infinite."""

    kind: str
    channels: tuple[str, ...] = ()
    at_s: float | None = None
    phase: str | None = None
    for_s: float = math.inf
    number: float = 0.0


def read_fault(text: str, dictionary: Dictionary) -> SensorFault:
    """Read one fault as a person writes it; raises FaultProblem."""
    words = text.split()
    if not words or words[0] not in KINDS:
        raise FaultProblem(f"{text!r} is no fault; the kinds are {', '.join(KINDS)}.")
    kind, rest = words[0], words[1:]
    channels: list[str] = []
    while rest and rest[0] not in ("at", "for", "by"):
        channels.append(rest.pop(0))
    _check_channels(kind, channels, dictionary)
    given = _pairs(rest, text)
    if kind in ON_MOTORS and ("at" in given or "for" in given):
        raise FaultProblem(f"{kind} takes no time: a motor is so for the whole flight.")
    at = given.pop("at", "0")
    if kind in NEEDS_NUMBER and "by" not in given:
        raise FaultProblem(f"{kind} needs a number: by NUMBER.")
    if kind == "brown-out" and "for" not in given:
        raise FaultProblem("brown-out needs a time: for S.")
    at_s = _number(at, text) if at[:1].isdigit() else None
    for_s = _number(given.get("for", RESET_S if kind == "reset" else "inf"), text)
    number = _number(given.get("by", "0"), text)
    return SensorFault(kind, tuple(channels), at_s, None if at_s is not None else at.replace("-", " "), for_s, number)


def _check_channels(kind: str, channels: Sequence[str], dictionary: Dictionary) -> None:
    needs = kind in ON_VALUES + ON_MOTORS
    motors, _ = firing_channels(dictionary.roles)
    roles = [channel.role or "" for packet in dictionary.stimuli.values() for channel in packet.channels]
    for name in channels:
        if kind in ON_MOTORS and name not in motors:
            raise FaultProblem(f"No lateral motor is named {name!r}; there are {', '.join(motors) or 'none'}.")
        if kind not in ON_MOTORS and not any(_names(name, role) for role in roles):
            raise FaultProblem(f"No stimulus has a channel {name!r}.")
    if needs != bool(channels):
        raise FaultProblem(f"{kind} {'needs channels' if needs else 'takes no channels'}.")


def _pairs(words: list[str], text: str) -> dict[str, str]:
    if "frames" in words[1:]:  # so many moments of the sensors
        place = words.index("frames")
        words[place - 1 : place + 1] = [str(_number(words[place - 1], text) * CYCLE_S)]
    if len(words) % 2:
        raise FaultProblem(f"{text!r} ends too soon.")
    pairs = dict(zip(words[::2], words[1::2], strict=True))
    for word in pairs:
        if word not in ("at", "for", "by"):
            raise FaultProblem(f"{word!r} in {text!r} is not understood.")
    return pairs


def _number(word: str, text: str) -> float:
    try:
        return float(word)
    except ValueError as error:
        raise FaultProblem(f"{word!r} in {text!r} is no number.") from error


def _names(name: str, role: str) -> bool:
    return role == name or role.startswith(f"{name}.")


def with_motor_faults(scenario: Scenario, faults: Sequence[SensorFault]) -> Scenario:
    """Return a scenario whose lateral motors have the faults that are theirs; one asked for a motor it lacks is left out."""
    lateral = scenario.vehicle().lateral
    dud, late_s = list(lateral.dud), list(lateral.late_s)
    for fault in faults:
        for place in (int(name.partition("[")[2].rstrip("]")) - 1 for name in fault.channels if fault.kind in ON_MOTORS):
            if place < len(dud) and fault.kind == "dud":
                dud[place] = True
            elif place < len(late_s):
                late_s[place] = fault.number
    return replace(scenario, changes={**scenario.changes, "lateral.dud": tuple(dud), "lateral.late_s": tuple(late_s)})


@dataclass
class Disturber:
    """Puts faults on stimuli as they are made. `rng` decides what is lost."""

    faults: Sequence[SensorFault]
    dictionary: Dictionary
    rng: random.Random
    lost: int = 0
    _began_s: dict[int, float] = field(default_factory=dict)
    _stuck: dict[tuple[int, str, int], float] = field(default_factory=dict)
    _held: list[Stimulus] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._places = {
            (index, name): tuple(
                place
                for place, channel in enumerate(packet.channels)
                if any(_names(one, channel.role or "") for one in fault.channels)
            )
            for index, fault in enumerate(self.faults)
            for name, packet in self.dictionary.stimuli.items()
        }

    def take(self, now_s: float, phase: str, stimuli: Sequence[Stimulus]) -> list[Stimulus]:
        """Return what reaches the computer of the stimuli of one moment; nothing where they are lost or held back."""
        acting = [
            index
            for index, fault in enumerate(self.faults)
            if fault.kind in ON_VALUES + ON_STIMULI and self._acts(index, fault, now_s, phase)
        ]
        if not acting and not self._held:
            return list(stimuli)
        told = [self._told(acting, stimulus) for stimulus in stimuli]
        kinds = {self.faults[index].kind: self.faults[index] for index in acting}
        if "dropped" in kinds or ("loss" in kinds and self.rng.random() < kinds["loss"].number):
            self.lost += len(told)
            return []
        if "out-of-order" in kinds and not self._held:
            self._held = told
            return []
        told, self._held = told + self._held, []
        return told

    def outage(self, now_s: float, phase: str) -> SensorFault | None:
        """Return the reset or brown-out that begins now."""
        for index, fault in enumerate(self.faults):
            if fault.kind in ON_COMPUTER and index not in self._began_s and self._acts(index, fault, now_s, phase):
                return fault
        return None

    def _acts(self, index: int, fault: SensorFault, now_s: float, phase: str) -> bool:
        if index not in self._began_s:
            due = now_s >= fault.at_s - 1e-9 if fault.at_s is not None else phase == fault.phase
            if not due:
                return False
            self._began_s[index] = now_s
        return now_s < self._began_s[index] + fault.for_s - 1e-9

    def _told(self, acting: Sequence[int], stimulus: Stimulus) -> Stimulus:
        name, time_us, values = stimulus
        changed = list(values)
        for index in acting:
            fault = self.faults[index]
            if fault.kind == "clock-step":
                time_us = max(0, time_us + round(fault.number * 1e6))
            for place in self._places[index, name]:
                changed[place] = self._value(index, fault, name, place, changed[place])
        return name, time_us, tuple(changed)

    def _value(self, index: int, fault: SensorFault, name: str, place: int, value: float) -> float:
        if fault.kind == "stuck":
            return self._stuck.setdefault((index, name, place), value)
        if fault.kind == "clipped":
            return max(-fault.number, min(fault.number, value))
        return math.nan if fault.kind == "not-a-number" else value + fault.number
