"""Each variant of the example with a planted mistake differs from the clean one in the way the mistake says, and where."""

from __future__ import annotations

from functools import cache
from math import log
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from protocol.arrays import Floats
from server.rehearsal.shadow import turn_between
from tests.server.firmware.flight_build import host_program
from tests.server.firmware.flight_play import Answers, HostComputer, recorded_flight

CLIMB = 1500  # steps: past the gate, lift-off comes at about 600
DOWN = 3000
FC_GATE_M = 110.0  # as in fc_numbers.h


@cache
def flown(fault: int, steps: int) -> Answers:
    """Fly a variant through the first steps."""
    with TemporaryDirectory() as folder, HostComputer(host_program(fault), Path(folder)) as computer:
        return computer.play(recorded_flight().cycles[:steps], computer.enter())


def first_difference(fault: int, steps: int) -> int:
    """Return the place of the first step whose state, phase or fins differ from the clean build's."""
    one, other = flown(0, steps), flown(fault, steps)
    for step, (clean, faulty) in enumerate(zip(one.packets, other.packets, strict=True)):
        for name in ("navigation", "fins", "control"):
            if not _same(clean[name], faulty[name]):
                return step
    raise AssertionError("nothing differs")


def _same(clean: object, faulty: object) -> bool:
    return repr(clean) == repr(faulty)


def states_of(*faults: int) -> list[Floats]:
    """Return the states of variants flown to the ground's neighborhood."""
    return [flown(fault, DOWN).states() for fault in faults]


def entered(answers: Answers, phase: float) -> int:
    """Return the place of the first step in a phase."""
    return answers.said("control", "phase").index(phase)


def control_begins(answers: Answers) -> int:
    """Return the place of the first controlled step."""
    return answers.said("control", "enabled").index(1.0)


def rolls(answers: Answers) -> Floats:
    """Return the roll commands, rad."""
    return np.array(answers.said("control", "roll_command"), dtype=np.float64)


def test_1_the_state_is_no_number_in_the_very_step_in_which_control_begins() -> None:
    states = flown(1, CLIMB).states()
    begin = control_begins(flown(0, CLIMB))
    assert np.isfinite(states[:begin]).all()
    assert not np.isfinite(states[begin]).all()
    assert np.isfinite(flown(0, CLIMB).states()).all()


def test_2_the_attitude_jumps_at_the_first_leveling_under_the_canopy() -> None:
    descent = entered(flown(0, DOWN), 5.0)
    first = first_difference(2, DOWN)
    assert descent <= first < descent + 100
    turned = [turn_between(*(states[step, 6:10].tolist() for step in (first - 1, first))) for states in states_of(0, 2)]
    assert turned[0] < 0.2 and turned[1] > 0.5


def test_3_the_fins_go_to_their_limit_at_a_height_whose_exponential_is_infinite() -> None:
    """expf overflows above ln(3.4e38) = 88.7, which is so many meters over the gate; no bound lets what is no number by."""
    states = flown(3, CLIMB).states()
    high = FC_GATE_M + log(float(np.finfo(np.float32).max))
    controlled = np.array(flown(3, CLIMB).said("control", "enabled")) == 1.0
    above, below = controlled & (states[:, 2] > high + 0.1), controlled & (states[:, 2] < high - 0.1)
    assert above.sum() > 50 and (rolls(flown(3, CLIMB))[above] > 0.139).all()
    assert np.mean(np.abs(rolls(flown(3, CLIMB))[below]) < 0.07) > 0.9


def test_4_pressure_is_never_trusted_again_after_deployment() -> None:
    descent = entered(flown(0, DOWN), 5.0)
    assert descent < first_difference(4, DOWN) < descent + 100
    clean, faulty = flown(0, DOWN).states(), flown(4, DOWN).states()
    assert abs(faulty[-1, 2] - clean[-1, 2]) > 5.0


def test_5_height_and_climb_begin_again_when_lift_off_is_noticed() -> None:
    boost = entered(flown(0, CLIMB), 3.0)
    assert first_difference(5, CLIMB) == boost
    clean, faulty = (states[boost] for states in states_of(0, 5))
    assert abs(faulty[5]) < 0.5 and clean[5] - faulty[5] > 1.5
    assert clean[6:].tolist() == faulty[6:].tolist()


def test_6_the_fins_answer_another_axis() -> None:
    assert first_difference(6, CLIMB) == control_begins(flown(0, CLIMB))
    begin = control_begins(flown(0, CLIMB))
    pitch = flown(0, CLIMB).states()[begin, 11]
    roll = flown(0, CLIMB).states()[begin, 12]
    # in the first controlled step there is no angle yet: the command is the rate's alone
    assert rolls(flown(6, CLIMB))[begin] / rolls(flown(0, CLIMB))[begin] == np.float64(pitch / roll).round(9) or abs(
        rolls(flown(6, CLIMB))[begin] * roll - rolls(flown(0, CLIMB))[begin] * pitch
    ) < 2e-4 * (abs(roll) + abs(pitch))


def test_7_the_fins_drive_the_roll_angle_away() -> None:
    begin = control_begins(flown(0, CLIMB))
    assert first_difference(7, CLIMB) in (begin + 1, begin + 2)  # no angle yet in the first
    clean, faulty = rolls(flown(0, CLIMB)), rolls(flown(7, CLIMB))
    states = flown(0, CLIMB).states()
    angle = 2.0 * np.arctan2(states[:, 9], states[:, 6])
    off = np.remainder(angle - angle[begin] + np.pi, 2 * np.pi) - np.pi
    controlled = np.array(flown(0, CLIMB).said("control", "enabled")) == 1.0
    large = np.flatnonzero(controlled & (np.abs(off) > 0.02))
    assert len(large) > 20
    assert np.mean(np.sign(faulty[large] - clean[large]) == np.sign(off[large])) > 0.95


def test_8_the_fins_go_to_their_limit_for_next_to_nothing() -> None:
    begin = control_begins(flown(0, CLIMB))
    assert first_difference(8, CLIMB) == begin
    clean, faulty = rolls(flown(0, CLIMB)), rolls(flown(8, CLIMB))
    limit = 0.1396
    assert np.abs(clean[begin:]).max() < limit / 2 and np.mean(np.abs(faulty[begin : begin + 200]) >= limit) > 0.05


def test_9_the_gate_finds_the_fastest_stretch_too_slow() -> None:
    """Squares of mm/s in 32 bits are negative from 46.3 to 65.5 m/s: control goes off at burnout's speeds and comes back."""
    clean, faulty = (flown(fault, CLIMB) for fault in (0, 9))
    speeds = np.linalg.norm(clean.states()[:, 3:6], axis=1)
    met = [np.array(one.said("control", "gate_speed_met")) == 1.0 for one in (clean, faulty)]
    wrapped = (speeds > 47.0) & (speeds < 65.0) & met[0]
    assert wrapped.sum() > 50 and not met[1][wrapped].any()
    assert np.isfinite(faulty.states()).all()
