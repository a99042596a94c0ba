"""The table of a trial's life: what must hold of it whatever the engine does."""

from __future__ import annotations

import pytest

from server.trials.state import OUTCOMES, OVER, TRANSITIONS, Event, State
from server.uplink.command_state import ENDED as COMMAND_ENDED
from server.uplink.command_state import State as CommandState

RUNNING = [state for state in State if state not in OVER | {State.READY, State.SAFING}]


def test_every_state_has_a_row_and_only_the_two_ends_are_empty() -> None:
    assert set(TRANSITIONS) == set(State)
    assert OVER == {State.ENDED, State.UNSAFE}


def test_every_event_is_used_and_every_state_is_reached_from_the_first() -> None:
    assert {event for row in TRANSITIONS.values() for event in row} == set(Event)
    reached, waiting = {State.READY}, [State.READY]
    while waiting:
        for following in TRANSITIONS[waiting.pop()].values():
            if following not in reached:
                reached.add(following)
                waiting.append(following)
    assert reached == set(State)


@pytest.mark.parametrize("state", RUNNING)
@pytest.mark.parametrize("event", [Event.DISARMED, Event.ODD, Event.STOP])
def test_whatever_is_odd_leads_to_safing_from_every_running_state(state: State, event: Event) -> None:
    assert TRANSITIONS[state][event] is State.SAFING


def test_a_bad_outcome_never_leads_on() -> None:
    bad = {Event.REFUSED, Event.FAILED, Event.UNKNOWN, Event.TIME_OUT, Event.DISARMED, Event.ODD, Event.STOP}
    for state in RUNNING:
        assert {TRANSITIONS[state][event] for event in bad & set(TRANSITIONS[state])} == {State.SAFING}


def test_out_of_safing_only_telemetry_leads_to_the_good_end() -> None:
    assert [event for event, following in TRANSITIONS[State.SAFING].items() if following is State.ENDED] == [Event.SAFE]


def test_every_end_of_a_command_means_something_to_a_trial() -> None:
    ended = {state.value for state in COMMAND_ENDED} | {CommandState.UNKNOWN.value}
    assert set(OUTCOMES) == ended
