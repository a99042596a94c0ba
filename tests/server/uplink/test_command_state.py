"""The table of command states: every pair of state and event, and what a person reads."""

from __future__ import annotations

from pathlib import Path

import pytest

import server.uplink
from server.uplink.command_state import ENDED, STATE_TEXT, TRANSITIONS, UNSENT, Event, State, step

# The table once more, written as sentences of the requirements and not as a copy: from -> event -> to.
EXPECTED = """
armed      confirm   queued
armed      cancel    cancelled
armed      time out  expired
armed      disarm    abandoned
queued     cancel    cancelled
queued     time out  abandoned
queued     disarm    abandoned
queued     block     refused
queued     write     sent
sent       write     sent
sent       accept    accepted
sent       refuse    refused
sent       complete  completed
sent       fail      failed
sent       doubt     unknown
sent       time out  unknown
sent       disarm    unknown
accepted   accept    accepted
accepted   complete  completed
accepted   fail      failed
accepted   write     accepted
accepted   time out  unknown
accepted   disarm    unknown
completed  accept    completed
completed  complete  completed
completed  show      verified
completed  time out  completed
completed  disarm    completed
unknown    accept    accepted
unknown    refuse    refused
unknown    complete  completed
unknown    fail      failed
unknown    time out  unknown
unknown    disarm    unknown
"""
PAIRS = {(row[:11].strip(), row[11:21].strip()): row[21:].strip() for row in EXPECTED.strip().splitlines()}


@pytest.mark.parametrize("event", list(Event))
@pytest.mark.parametrize("state", list(State))
def test_every_pair_of_state_and_event_leads_where_it_should(state: State, event: Event) -> None:
    following = step(state, event)
    assert (following.value if following else None) == PAIRS.get((state.value, event.value))


def test_every_state_is_a_row_and_ended_rows_are_empty() -> None:
    assert set(TRANSITIONS) == set(State)
    assert ENDED == {State.VERIFIED, State.REFUSED, State.FAILED, State.CANCELLED, State.EXPIRED, State.ABANDONED}
    assert all(TRANSITIONS[state] == {} for state in ENDED)


def test_every_state_can_be_reached_and_every_event_does_something() -> None:
    reached = {State.ARMED, State.QUEUED} | {to for row in TRANSITIONS.values() for to in row.values()}
    assert reached == set(State)
    assert {event for row in TRANSITIONS.values() for event in row} == set(Event)


def test_what_may_have_left_can_never_look_as_if_it_had_not() -> None:
    """I11: From any state after the first byte, no chain of events leads to a state that says nothing left."""
    unsent_ends = {State.CANCELLED, State.EXPIRED, State.ABANDONED} | UNSENT
    seen, waiting = set(), [State.SENT]
    while waiting:
        state = waiting.pop()
        if state not in seen:
            seen.add(state)
            waiting += TRANSITIONS[state].values()
    assert not seen & unsent_ends
    assert State.UNKNOWN in seen and State.VERIFIED in seen


def test_only_a_person_confirms_and_only_telemetry_verifies() -> None:
    """I10."""
    into_queue = {(s, e) for s, row in TRANSITIONS.items() for e, to in row.items() if to is State.QUEUED}
    assert into_queue == {(State.ARMED, Event.CONFIRM)}
    verified = {(s, e) for s, row in TRANSITIONS.items() for e, to in row.items() if to is State.VERIFIED}
    assert verified == {(State.COMPLETED, Event.SHOW)}


def test_every_state_has_its_own_words() -> None:
    assert set(STATE_TEXT) == set(State)
    assert len(set(STATE_TEXT.values())) == len(State)
    assert STATE_TEXT[State.UNKNOWN] == "outcome unknown: treat as done and as armed"
    assert "cancel" not in STATE_TEXT[State.UNKNOWN]
    assert "telemetry does not show it yet" in STATE_TEXT[State.COMPLETED]


def diagram() -> str:
    """Return the table as a state diagram in the text form that forges draw (Mermaid), with the page's words."""
    lines = ["```mermaid", "stateDiagram-v2"]
    lines += [f"    {state.value} : {state.value}, {STATE_TEXT[state]}" for state in State]
    for state, row in TRANSITIONS.items():
        by_end: dict[State, list[str]] = {}
        for event, end in row.items():
            by_end.setdefault(end, []).append(event.value)
        lines += [f"    {state.value} --> {end.value} : {', '.join(events)}" for end, events in by_end.items()]
    lines += [f"    {state.value} --> [*]" for state in State if not TRANSITIONS[state]]
    return "\n".join([*lines, "```"])


def test_the_diagram_beside_the_queue_is_made_from_the_table() -> None:
    text = Path(server.uplink.__file__).with_name("INVARIANTS.md").read_text("utf-8")
    assert diagram() in text, "put the output of tests.server.uplink.test_command_state.diagram() into INVARIANTS.md"
