"""The life of one bench trial, as a table.

    READY     made, not begun
    WAITING   a step is over; its settling time runs
    SENDING   a command is under way: asked, and not yet verified by telemetry
    PAUSING   a step that only waits
    PROVING   what the plan expects beyond the command's own effect must come to hold
    SAFING    the trial is over, as planned or not: safe all is asked and must be proved
    ENDED     over; nothing is armed as far as telemetry shows                               (end)
    UNSAFE    over, and the vehicle was not seen to be safe: treat everything as armed        (end)

All knowledge about which event leads where is in `TRANSITIONS`; a pair that is missing changes nothing. Whatever is not as
planned leads to SAFING, from every state in which something could be armed.
"""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    """Where a trial stands."""

    READY = "ready"
    WAITING = "waiting"
    SENDING = "sending"
    PAUSING = "pausing"
    PROVING = "proving"
    SAFING = "safing"
    ENDED = "ended"
    UNSAFE = "unsafe"


class Event(StrEnum):
    """What can happen to a trial."""

    BEGIN = "begin"
    SEND = "send"  # the next step is a command
    PAUSE = "pause"  # the next step only waits
    FINISH = "finish"  # no step is left, and something could be armed
    FINISH_QUIETLY = "finish quietly"  # no step is left, and the plan held nothing hazardous
    VERIFIED = "verified"  # telemetry shows the effect; for a ping, the vehicle answered
    LOST = "lost"  # a ping got no answer
    TIME_UP = "time up"  # the pause is over
    HELD = "held"  # what the plan expects holds
    REFUSED = "refused"
    FAILED = "failed"
    UNKNOWN = "unknown"
    TIME_OUT = "time out"
    DISARMED = "disarmed"  # the permit ended, or the command was dropped before it left
    ODD = "odd"  # telemetry shows something the plan did not ask for
    STOP = "stop"  # a person stops it
    SAFE = "safe"  # telemetry shows that everything is safe


_ANY_TIME = {Event.DISARMED: State.SAFING, Event.ODD: State.SAFING, Event.STOP: State.SAFING}

TRANSITIONS: dict[State, dict[Event, State]] = {
    State.READY: {Event.BEGIN: State.WAITING, Event.STOP: State.ENDED},
    State.WAITING: {
        Event.SEND: State.SENDING,
        Event.PAUSE: State.PAUSING,
        Event.FINISH: State.SAFING,
        Event.FINISH_QUIETLY: State.ENDED,
        **_ANY_TIME,
    },
    State.SENDING: {
        Event.VERIFIED: State.PROVING,
        Event.LOST: State.WAITING,
        Event.REFUSED: State.SAFING,
        Event.FAILED: State.SAFING,
        Event.UNKNOWN: State.SAFING,
        Event.TIME_OUT: State.SAFING,
        **_ANY_TIME,
    },
    State.PAUSING: {Event.TIME_UP: State.PROVING, **_ANY_TIME},
    State.PROVING: {Event.HELD: State.WAITING, Event.TIME_OUT: State.SAFING, **_ANY_TIME},
    State.SAFING: {Event.SAFE: State.ENDED, Event.REFUSED: State.UNSAFE, Event.TIME_OUT: State.UNSAFE},
    State.ENDED: {},
    State.UNSAFE: {},
}
OVER = frozenset(state for state, row in TRANSITIONS.items() if not row)

# What the state of a command, as the queue tells it, means to the trial.
OUTCOMES = {
    "verified": Event.VERIFIED,
    "refused": Event.REFUSED,
    "failed": Event.FAILED,
    "unknown": Event.UNKNOWN,
    "cancelled": Event.DISARMED,
    "expired": Event.DISARMED,
    "abandoned": Event.DISARMED,
}


class TrialStanding(StrEnum):
    """What the journal says of a trial as a whole, its plan's two acts included."""

    ARMED = "armed"
    CANCELLED = "cancelled"
    RUNNING = "running"
    PASSED = "passed"
    FAILED = "failed"
    STOPPED = "stopped"
    INTERRUPTED = "interrupted"  # the station was restarted meanwhile


def is_bad(standing: TrialStanding, safe: bool) -> bool:
    """Tell whether a person must be warned; `safe` tells whether the vehicle was seen to be safe once it was over."""
    return standing in (TrialStanding.FAILED, TrialStanding.INTERRUPTED) or not safe
