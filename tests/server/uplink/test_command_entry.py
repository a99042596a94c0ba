"""How one command is shown: its steps, what is missing and since when, and the window of the second act."""

from __future__ import annotations

import dataclasses
import json

import pytest

from server.recording.records import Kind, encode_note
from server.recording.session_file import open_session
from server.settings import sample_folder
from server.uplink.command_entry import CommandView, PendingCommand, command_view
from server.uplink.command_state import State
from server.uplink.permits import PermitState, PermitView
from server.uplink.two_acts import FirstAct
from tests.server.uplink.queue_world import dictionary

SAMPLE = sample_folder() / "bench-trial.pcapng"


def entry(state: State, **steps: float) -> PendingCommand:
    command = dictionary().commands["channel_arm"]
    needs = ("asked", "armed", "confirmed", "sent", "accepted", "completed", "verified")
    return PendingCommand(
        "c1", command, {"channel": 2}, "Ada 1", state, dict(steps), needs, FirstAct("Ada 1", "hazardous", 5.0), since_s=5.0
    )


def test_the_window_of_the_second_act_is_shown_only_while_armed() -> None:
    armed = command_view(entry(State.ARMED, asked=5.0, armed=5.0), other_confirms=True)
    assert (armed.earliest_confirm_rx, armed.expires_rx, armed.confirm_by) == (5.3, 15.0, "another")
    sent = command_view(entry(State.SENT, asked=5.0, armed=5.0, confirmed=5.5, sent=5.6), other_confirms=True)
    assert (sent.earliest_confirm_rx, sent.expires_rx, sent.confirm_by) == (None, None, "same")


@pytest.mark.parametrize(
    ("state", "steps", "missing"),
    [
        (State.ARMED, {"asked": 1.0, "armed": 1.0}, "confirmed"),
        (State.SENT, {"asked": 1.0, "armed": 1.0, "confirmed": 2.0, "sent": 2.0}, "accepted"),
        (State.UNKNOWN, {"asked": 1.0, "armed": 1.0, "confirmed": 2.0, "sent": 2.0}, "accepted"),
        (State.CANCELLED, {"asked": 1.0, "armed": 1.0}, None),
        (State.FAILED, {"asked": 1.0, "armed": 1.0, "confirmed": 2.0, "sent": 2.0, "accepted": 3.0}, "completed"),
    ],
)
def test_the_first_step_not_seen_is_named_with_since_when(state: State, steps: dict, missing: str | None) -> None:
    view = command_view(entry(state, **steps))
    assert view.missing == missing and view.since_rx == 5.0
    assert view.args_text == "channel 2"


def test_a_command_that_nothing_could_show_is_not_waited_for() -> None:
    command = dataclasses.replace(dictionary().commands["channel_arm"], effects=())
    bare = PendingCommand("c2", command, {"channel": 1}, "Ada 1", State.COMPLETED, {}, ())
    assert command_view(bare).state_text == "done says the vehicle, telemetry cannot show it"


def recorded(topic: str) -> list[dict]:
    """Return the notes of commands ("command") or permits ("permit") in the sample of a bench trial."""
    records = open_session(SAMPLE).records
    if topic == "command":
        return [json.loads(record.payload) for record in records if record.kind == Kind.OUTCOME]
    notes = [json.loads(record.payload) for record in records if record.kind == Kind.NOTE]
    return [note for note in notes if note["topic"] == topic]


def test_a_view_of_a_command_is_written_as_in_earlier_recordings() -> None:
    """Byte for byte: the same names in the same order, and numbers as they were."""
    notes = recorded("command")
    assert len(notes) > 400
    for note in notes:
        body = note["body"]
        steps = {step["step"]: step["rx"] for step in body["steps"]}
        view = CommandView(**{**body, "state": State(body["state"]), "steps": steps})
        assert encode_note(view.as_dict()) == encode_note(body)


def test_a_view_of_a_permit_is_written_as_in_earlier_recordings() -> None:
    notes = recorded("permit")
    assert {note["body"]["state"] for note in notes} == {"armed", "open", "ended"}
    for note in notes:
        view = PermitView(**{**note["body"], "state": PermitState(note["body"]["state"])})
        assert encode_note(view.as_dict()) == encode_note(note["body"])
