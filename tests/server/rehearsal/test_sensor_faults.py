"""Each fault on what the flight computer is told: read as a person writes it, begun and ended when it says."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

import pytest

from server.rehearsal.sensor_faults import Disturber, FaultProblem, SensorFault, Stimulus, read_fault
from tests.protocol.helpers import SANDPIPER

WIDTH = 13  # of `sensors`
PRESSURE, GYRO_A_Z = 12, 5


def told(texts: Sequence[str], moments: int = 20, phase_at: tuple[int, str] = (10**9, "")) -> list[list[Stimulus]]:
    """Return what arrives of moments 10 ms apart; each value of `sensors` is its number and a thousandth a place."""
    faults = [read_fault(text, SANDPIPER) for text in texts]
    disturber = Disturber(faults, SANDPIPER, random.Random(3))
    out = []
    for n in range(moments):
        phase = phase_at[1] if n >= phase_at[0] else "pad"
        stimuli: list[Stimulus] = [("sensors", n * 10_000, tuple(n + place / 1000 for place in range(WIDTH)))]
        out.append(disturber.take(n * 0.01, phase, stimuli))
    lost = sum(not moment for moment in out)
    assert disturber.lost in (0, lost)
    return out


def values(moments: list[list[Stimulus]], place: int) -> list[float]:
    return [moment[-1][2][place] for moment in moments]


PLAIN = [n + PRESSURE / 1000 for n in range(20)]


def test_without_a_fault_everything_arrives_as_it_was() -> None:
    assert values(told([]), PRESSURE) == PLAIN


def test_stuck_goes_on_telling_what_it_told_when_it_began_and_then_the_truth_again() -> None:
    seen = values(told(["stuck pressure at 0.05 for 0.1"]), PRESSURE)
    assert seen == PLAIN[:5] + [PLAIN[5]] * 10 + PLAIN[15:]
    assert values(told(["stuck pressure at 0.05"]), GYRO_A_Z) == [n + 0.005 for n in range(20)]


def test_clipped_tells_no_more_either_way() -> None:
    assert values(told(["clipped gyro.a at 0 by 6"]), GYRO_A_Z) == [min(n + 0.005, 6.0) for n in range(20)]
    disturber = Disturber([SensorFault("clipped", ("gyro.a",), 0.0, number=6.0)], SANDPIPER, random.Random(1))
    assert disturber.take(0.0, "", [("sensors", 0, (-9.0,) * WIDTH)])[0][2] == (-9.0,) * 3 + (-6.0,) * 3 + (-9.0,) * 7


def test_biased_tells_so_much_too_much() -> None:
    seen = values(told(["biased gyro.a.z at 0.1 by -2.5"]), GYRO_A_Z)
    assert seen == pytest.approx([n + 0.005 - 2.5 * (n >= 10) for n in range(20)])


def test_not_a_number_tells_none_on_its_channels_alone() -> None:
    seen = told(["not-a-number gyro.a at 0.02 for 0.01"])
    assert [n for n, moment in enumerate(seen) if math.isnan(moment[-1][2][GYRO_A_Z])] == [2]
    assert not math.isnan(seen[2][-1][2][PRESSURE])


def test_dropped_leaves_out_whole_moments() -> None:
    assert [n for n, moment in enumerate(told(["dropped at 0.03 for 0.02"])) if not moment] == [3, 4]


def test_loss_leaves_out_its_share() -> None:
    lost = sum(not moment for moment in told(["loss by 0.3"], 2000))
    assert abs(lost / 2000 - 0.3) < 0.05  # 5 standard deviations of the binomial
    assert not any(not moment for moment in told(["loss by 0"]))


def test_out_of_order_lets_two_change_places() -> None:
    seen = [time for moment in told(["out-of-order at 0.05 for 0.01"]) for _, time, _ in moment]
    assert seen[:9] == [0, 10_000, 20_000, 30_000, 40_000, 60_000, 50_000, 70_000, 80_000]


def test_a_clock_step_moves_the_times_and_only_them() -> None:
    seen = told(["clock-step at 0.1 by 2"])
    assert [moment[0][1] for moment in seen] == [n * 10_000 + 2_000_000 * (n >= 10) for n in range(20)]
    assert values(seen, PRESSURE) == PLAIN


def test_a_fault_begins_with_a_phase_of_the_computer() -> None:
    seen = values(told(["stuck pressure at coast for 0.03"], phase_at=(8, "coast")), PRESSURE)
    assert seen == PLAIN[:8] + [PLAIN[8]] * 3 + PLAIN[11:]
    assert read_fault("dropped at ground-test for 1", SANDPIPER).phase == "ground test"


def test_two_faults_act_together_and_on_other_stimuli_too() -> None:
    seen = told(["biased pressure by 1", "clipped pressure by 5"])
    assert values(seen, PRESSURE) == [min(5.0, n + PRESSURE / 1000 + 1) for n in range(20)]
    disturber = Disturber([read_fault("stuck position at 0", SANDPIPER)], SANDPIPER, random.Random(1))
    assert disturber.take(0.0, "", [("fix", 0, (7.0, 8.0))]) == disturber.take(0.2, "", [("fix", 0, (9.0, 9.0))])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is no fault"),
        ("melted pressure", "is no fault; the kinds are stuck, "),
        ("stuck thermometer", "No stimulus has a channel 'thermometer'"),
        ("stuck", "stuck needs channels"),
        ("dropped pressure", "dropped takes no channels"),
        ("biased pressure at 3", "biased needs a number"),
        ("loss by much", "'much' in 'loss by much' is no number"),
        ("stuck pressure at", "ends too soon"),
        ("stuck pressure at 1 until 2", "'until' .* is not understood"),
    ],
)
def test_what_cannot_be_read_is_said_in_a_sentence(text: str, said: str) -> None:
    with pytest.raises(FaultProblem, match=said):
        read_fault(text, SANDPIPER)
