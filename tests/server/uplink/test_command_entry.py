"""How one command is shown: its steps, what is missing and since when, and the window of the second act."""

from __future__ import annotations

import dataclasses

import pytest

from server.uplink.command_entry import PendingCommand, command_view
from server.uplink.command_state import State
from server.uplink.two_acts import FirstAct
from tests.server.uplink.queue_world import dictionary


def entry(state: State, **steps: float) -> PendingCommand:
    command = dictionary().commands["channel_arm"]
    needs = ("asked", "armed", "confirmed", "sent", "accepted", "completed", "verified")
    return PendingCommand(
        "c1", command, {"channel": 2}, "Ada 1", state, dict(steps), needs, FirstAct("Ada 1", "hazardous", 5.0), since_s=5.0
    )


def test_the_window_of_the_second_act_is_shown_only_while_armed() -> None:
    armed = command_view(entry(State.ARMED, asked=5.0, armed=5.0), other_confirms=True)
    assert (armed["earliest_confirm_rx"], armed["expires_rx"], armed["confirm_by"]) == (5.3, 15.0, "another")
    sent = command_view(entry(State.SENT, asked=5.0, armed=5.0, confirmed=5.5, sent=5.6), other_confirms=True)
    assert (sent["earliest_confirm_rx"], sent["expires_rx"], sent["confirm_by"]) == (None, None, "same")


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
    assert view["missing"] == missing and view["since_rx"] == 5.0
    assert view["args_text"] == "channel 2"


def test_a_command_that_nothing_could_show_is_not_waited_for() -> None:
    command = dataclasses.replace(dictionary().commands["channel_arm"], effects=())
    bare = PendingCommand("c2", command, {"channel": 1}, "Ada 1", State.COMPLETED, {}, ())
    assert command_view(bare)["state_text"] == "done says the vehicle, telemetry cannot show it"
