"""The clean example flown to landing: each step answered by itself, near the truth, deployed when the twin's own would."""

from __future__ import annotations

import pytest

from server.rehearsal.conversation import RehearsalProblem
from tests.server.rehearsal.helpers import PHASES, READER, computer, flight

BOOST = PHASES.index("boost")
REST = (0.0, 0.0, 9.80665, 0.0, 0.0, 0.0) * 2 + (94080.0,)


def test_the_clean_program_flies_to_landing_and_nothing_is_wrong() -> None:
    flown, wrongs, run = flight()
    assert run.passed and wrongs == [] and flown.ended == ""
    assert flown.landed and 25.0 < run.duration_s < 120.0
    ours, theirs = run.deployment_s
    assert ours is not None and theirs is not None and abs(ours - theirs) <= 0.2
    # The same sensor values, and an estimator of the same kind: within what its own barometer's noise allows.
    assert all(rms < 3.0 and worst < 8.0 for rms, worst in run.state.values()), run.state
    assert flown.truth is not None and flown.truth["position.up"].max() > 250.0


def test_no_two_steps_are_ever_under_way_at_once() -> None:
    flown, _, _ = flight()
    numbers, sent = [], 0
    for frame in flown.frames:
        sent += len(frame.stimuli)
        assert frame.answer is not None and frame.stimuli[-1][0] == "sensors"
        assert frame.answer.number == sent  # the answer to the very last stimulus that had been sent
        numbers.append(frame.answer.number)
    assert numbers == sorted(set(numbers))
    assert {b.time_us - a.time_us for a, b in zip(flown.frames, flown.frames[1:], strict=False)} == {10_000}
    assert len(flown.delays_s) == len(flown.frames)


def test_nothing_fires_and_what_was_ordered_is_counted() -> None:
    """The gate refuses; the plant takes the order for the firing, so that the canopy opens all the same."""
    flown, _, _ = flight()
    last = flown.frames[-1].answer
    assert last is not None
    state = {name: last.state[place] for name, place in READER.state_places.items()}
    assert int(state["ordered"]) >> 4 & 1 and int(state["orders"]) >= 1
    assert flown.deployed_s is not None and flown.landing_s is not None and flown.landing_s > flown.deployed_s + 10.0


def test_the_same_seed_is_the_same_flight_until_a_sensor_is_disturbed_which_is_felt() -> None:
    clean, _, before = flight()
    flown, _, run = flight(0, 2, ("biased accel.a.z at boost for 1 by 30",))
    boost = next(n for n, frame in enumerate(clean.frames) if READER.value(frame.answer, "vehicle_phase") == BOOST)
    assert [frame.stimuli for frame in flown.frames[: boost + 1]] == [frame.stimuli for frame in clean.frames[: boost + 1]]
    place = 2  # accel_a_z
    put_on = flown.frames[boost + 1].stimuli[-1][2][place] - clean.frames[boost + 1].stimuli[-1][2][place]
    assert put_on == pytest.approx(30.0)
    assert run.state["position.up"][1] > 3.0 * before.state["position.up"][1]
    assert flown.lost == 0


def test_a_flight_build_is_asked_nothing() -> None:
    with pytest.raises(RehearsalProblem, match=r"flight build.*Nothing was asked"), computer(rehearsal=False):
        pass


def test_a_second_rehearsal_begins_without_ground_test_where_the_computer_is_in_it_already() -> None:
    with computer() as talk:
        talk.begin()
        first = talk.session
        talk.leave()
        talk.begin()
        assert talk.session == first + 2  # but one command between them: the leaving
        talk.leave()
        talk.command(talk.dictionary.commands["ground_test"], {"on": 0})
        talk.begin()  # refused, so it goes to ground test and asks again
        assert talk.session == first + 2 + 5
        assert talk.play([("sensors", 0, REST)]).number == 1
        talk.leave()
