"""The life of one command, as a table.

    ARMED      first act of a guarded or hazardous command done; waits for the second
    QUEUED     all acts done; waits for its turn, its counter and its durable record
    SENT       at least one byte may have left; waits for the vehicle's answer
    ACCEPTED   the vehicle took it; waits for its completion
    COMPLETED  the vehicle says it is done; waits for telemetry to show the effect
    VERIFIED   telemetry shows the effect                                            (end)
    REFUSED    the vehicle, or an interlock at the moment of sending, said no          (end)
    FAILED     the vehicle tried and failed                                          (end)
    UNKNOWN    it may or may not have been executed; a late answer can still tell
    CANCELLED  taken back by a person before any byte left                           (end)
    EXPIRED    the second act did not come in time                                   (end)
    ABANDONED  dropped by the station before any byte left                           (end)

All knowledge about which event leads where is in `TRANSITIONS`; `step` only looks it up. A missing pair from a person
is refused with a sentence, a missing pair from the air is recorded and changes nothing. A resend stays in SENT, so a
command that may have arrived can never look cancelled.
"""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    """Where a command stands."""

    ARMED = "armed"
    QUEUED = "queued"
    SENT = "sent"
    ACCEPTED = "accepted"
    COMPLETED = "completed"
    VERIFIED = "verified"
    REFUSED = "refused"
    FAILED = "failed"
    UNKNOWN = "unknown"
    CANCELLED = "cancelled"
    EXPIRED = "expired"
    ABANDONED = "abandoned"


class Event(StrEnum):
    """What can happen to a command."""

    CONFIRM = "confirm"  # second act of the person
    CANCEL = "cancel"  # the person takes it back
    TIME_OUT = "time out"  # the time of the present state is over
    DISARM = "disarm"  # link lost, authority changed, restart, clock jump, safe all
    BLOCK = "block"  # an interlock is not met, or the record cannot be kept, at the moment of sending
    WRITE = "write"  # bytes handed to the port (first time or again), or a write that may have got through
    ACCEPT = "accept"  # answers of the vehicle
    REFUSE = "refuse"
    COMPLETE = "complete"
    FAIL = "fail"
    DOUBT = "doubt"  # this copy was not executed, an earlier copy may have been
    SHOW = "show"  # telemetry shows the effect


_ANSWERED = {
    Event.ACCEPT: State.ACCEPTED,
    Event.REFUSE: State.REFUSED,
    Event.COMPLETE: State.COMPLETED,
    Event.FAIL: State.FAILED,
}

TRANSITIONS: dict[State, dict[Event, State]] = {
    State.ARMED: {
        Event.CONFIRM: State.QUEUED,
        Event.CANCEL: State.CANCELLED,
        Event.TIME_OUT: State.EXPIRED,
        Event.DISARM: State.ABANDONED,
    },
    State.QUEUED: {
        Event.CANCEL: State.CANCELLED,
        Event.TIME_OUT: State.ABANDONED,
        Event.DISARM: State.ABANDONED,
        Event.BLOCK: State.REFUSED,
        Event.WRITE: State.SENT,
    },
    State.SENT: {
        **_ANSWERED,
        Event.WRITE: State.SENT,
        Event.DOUBT: State.UNKNOWN,
        Event.TIME_OUT: State.UNKNOWN,
        Event.DISARM: State.UNKNOWN,
    },
    State.ACCEPTED: {
        Event.ACCEPT: State.ACCEPTED,
        Event.COMPLETE: State.COMPLETED,
        Event.FAIL: State.FAILED,
        Event.WRITE: State.ACCEPTED,
        Event.TIME_OUT: State.UNKNOWN,
        Event.DISARM: State.UNKNOWN,
    },
    State.COMPLETED: {
        Event.ACCEPT: State.COMPLETED,
        Event.COMPLETE: State.COMPLETED,
        Event.SHOW: State.VERIFIED,
        Event.TIME_OUT: State.COMPLETED,
        Event.DISARM: State.COMPLETED,
    },
    State.UNKNOWN: {**_ANSWERED, Event.TIME_OUT: State.UNKNOWN, Event.DISARM: State.UNKNOWN},
    State.VERIFIED: {},
    State.REFUSED: {},
    State.FAILED: {},
    State.CANCELLED: {},
    State.EXPIRED: {},
    State.ABANDONED: {},
}

UNSENT = frozenset({State.ARMED, State.QUEUED})
ENDED = frozenset(state for state, row in TRANSITIONS.items() if not row)

STATE_TEXT: dict[State, str] = {
    State.ARMED: "ready, waiting for confirmation",
    State.QUEUED: "waiting to be sent",
    State.SENT: "sent, no answer yet",
    State.ACCEPTED: "accepted by the vehicle",
    State.COMPLETED: "done says the vehicle, telemetry does not show it yet",
    State.VERIFIED: "verified by telemetry",
    State.REFUSED: "refused",
    State.FAILED: "failed on the vehicle",
    State.UNKNOWN: "outcome unknown: treat as done and as armed",
    State.CANCELLED: "cancelled before sending",
    State.EXPIRED: "not confirmed in time",
    State.ABANDONED: "dropped before sending",
}


def step(state: State, event: Event) -> State | None:
    """Return the state that `event` leads to from `state`, or None when the table has no such pair."""
    return TRANSITIONS[state].get(event)
