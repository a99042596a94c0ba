"""The computer and the simulated vehicle flown together: what it orders moves what it is told next.

A program behind a pipe has no clock of its own: each step waits for its answer, as fast as both can, and no two steps
are ever under way at once.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from protocol.dictionary import Dictionary
from server.rehearsal.answers import Answer
from server.rehearsal.conversation import Conversation, Ended, RehearsalProblem, StoodStill
from server.rehearsal.flown import Flown, Frame, Outage
from server.rehearsal.plant import Plant
from server.rehearsal.sensor_faults import Disturber, SensorFault, Stimulus, with_motor_faults
from server.twin.flight_computer import BOOST, COAST, DESCENT, LANDED, PAD
from server.twin.scenario import Scenario

IGNITION_S = 6.0  # after the beginning: the computer starts, levels itself and learns the pad's pressure
GIVE_UP_S = 240.0  # of rehearsed time: it hangs in the air for ever, or never leaves the pad
ON_THE_GROUND_S = 8.0  # so long after touch-down the computer may take to notice
STATE_ROLES = (
    "position.east", "position.north", "position.up", "velocity.east", "velocity.north", "velocity.up",
    "attitude_quaternion.w", "attitude_quaternion.x", "attitude_quaternion.y", "attitude_quaternion.z",
    "body_rate.x", "body_rate.y", "body_rate.z",
)  # fmt: skip


@dataclass(frozen=True)
class Plan:
    """One run asked for: which flight, with which faults, the motor lit how long after the beginning (s).

    It ends after `until_s` at the latest, in the air or not.
    """

    scenario: Scenario
    seed: int = 1
    faults: Sequence[SensorFault] = ()
    ignite_s: float = IGNITION_S
    until_s: float = math.inf


class Flight:
    """What both ways to keep time (this one, and `paced`) have in common."""

    def __init__(self, talk: Conversation, plan: Plan) -> None:
        self.talk, self.plan, self.flown = talk, plan, Flown(firmware=talk.firmware)
        scenario = with_motor_faults(plan.scenario, plan.faults)
        self.plant = Plant(scenario, plan.seed, talk.dictionary, talk.reader)
        self._disturber = Disturber(plan.faults, talk.dictionary, random.Random(f"{plan.seed} rehearsal faults"))
        self._phase_place = talk.reader.places.get("vehicle_phase")
        self._phases = _phases(talk.dictionary)
        self.phase = ""
        self._landed_s: float | None = None
        self._dark = False

    def due(self) -> list[Stimulus]:
        """Return the stimuli of this moment as they reach the computer, faults and all; the motor lights when it is time."""
        plant = self.plant
        if self.plan.ignite_s <= plant.time_s + 1e-9:
            plant.motion.ignite()
        time_us = round(plant.time_s * 1e6)
        stimuli: list[Stimulus] = [(name, time_us, values) for name, values in plant.sense()]
        return self._disturber.take(plant.time_s, self.phase, stimuli)

    def take(self, stimuli: list[Stimulus], answer: Answer | None) -> None:
        """Keep the moment, and do what was ordered."""
        self.flown.frames.append(Frame(round(self.plant.time_s * 1e6), stimuli, answer))
        if answer is not None:
            self.obey(answer)

    def obey(self, answer: Answer) -> None:
        """Do what was ordered."""
        self.plant.obey(answer)
        place = self._phase_place
        packet = answer.packets[place[0]] if place is not None else None
        if packet is not None and place is not None:
            self.phase = self._phases[int(packet[place[1]])]

    def is_out(self) -> bool:
        """Tell whether the computer is without power; it starts anew when it no longer is."""
        plant = self.plant
        fault = self._disturber.outage(plant.time_s, self.phase)
        if fault is not None:
            self.flown.outages.append(Outage(len(self.flown.frames), plant.time_s, plant.time_s + fault.for_s))
            self._dark = True
        if self._dark and plant.time_s >= self.flown.outages[-1].until_s - 1e-9:
            self.talk.begin_anew(round(plant.time_s * 1e6))
            self._dark, self.phase = False, ""
        return self._dark

    def over(self) -> bool:
        """Tell whether nothing more is to be seen: it lies, and the computer knows or has had time to notice."""
        plant = self.plant
        if plant.down and self._landed_s is None:
            self._landed_s = plant.time_s
        noticed = self._landed_s is not None and (self.phase == "landed" or plant.time_s - self._landed_s > ON_THE_GROUND_S)
        return noticed or plant.time_s >= min(self.plan.until_s, GIVE_UP_S) - 1e-9

    def done(self, took_s: float) -> Flown:
        """Close the books."""
        flown, plant, reader = self.flown, self.plant, self.talk.reader
        flown.took_s, flown.lost = took_s, self._disturber.lost
        flown.deployed_s, flown.ordered = plant.deployed_s, plant.ordered()
        flown.delays_s = list(self.talk.delays_s)
        flown.cut = plant.time_s >= self.plan.until_s - 1e-9
        flown.landed, flown.landing_s = plant.down, plant.motion.milestones.landing_s
        answers = [frame.answer for frame in flown.frames if frame.answer is not None]
        flown.cycle_us = int(answers[-1].state[reader.state_places["cycle_us"]]) if answers else 0
        flown.truth, flown.true_phases = truth_of(plant), true_phases(plant)
        return flown


def fly_stepped(talk: Conversation, plan: Plan, now: Callable[[], float]) -> Flown:
    """Fly a program that has no clock of its own; the rehearsal has begun.

    `now` is a clock in s, to tell how long it took.
    """
    talk.delays_s.clear()
    flight, begun_s = Flight(talk, plan), now()
    try:
        while not flight.over():
            stimuli = flight.due()
            if flight.is_out():
                stimuli = []
            flight.take(stimuli, talk.play(stimuli) if stimuli else None)
            flight.plant.step()
    except StoodStill as problem:
        flight.flown.invalid = str(problem).rstrip(".")
    except (Ended, RehearsalProblem) as problem:
        flight.flown.ended = str(problem)
    return flight.done(now() - begun_s)


def truth_of(plant: Plant) -> dict[str, Floats]:
    """Return the true motion as columns, `t_s` and by the names of the state vector's roles; from ignition on."""
    table = np.array(plant.motion.record, dtype=np.float64).reshape(-1, 16)
    return {"t_s": table[:, 0]} | {role: table[:, 1 + place] for place, role in enumerate(STATE_ROLES)}


def true_phases(plant: Plant) -> list[tuple[str, float]]:
    """Return the phases the simulated vehicle went through, as far as it came: (name, since when in s)."""
    marks = plant.motion.milestones
    began = ((BOOST, marks.liftoff_s), (COAST, marks.burnout_s), (DESCENT, marks.apogee_s), (LANDED, marks.landing_s))
    return [(PAD, 0.0), *((phase, at_s) for phase, at_s in began if at_s is not None)]


def _phases(dictionary: Dictionary) -> tuple[str, ...]:
    channel = dictionary.roles.get("vehicle_phase")
    return channel.values if channel is not None else ()
