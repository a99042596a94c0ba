"""One command under way, what the queue asks its caller to do about it, and how it looks on the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf

from protocol.commands import Command
from server.telemetry.conditions import Check
from server.uplink.command_state import ENDED, STATE_TEXT, State
from server.uplink.permits import PermitView
from server.uplink.two_acts import FirstAct

STEPS = ("asked", "armed", "confirmed", "sent", "accepted", "completed", "verified")


@dataclass(frozen=True, slots=True)
class CommandView:
    """One command at one moment, for a person, a trial and the recording. Times are session seconds.

    `steps` maps each step it needs, in order, to when it was reached, None while it has not been. `missing` is the first
    step not yet seen while one is still expected. `expires_rx` and `earliest_confirm_rx` bound the second act while it is
    waited for; `confirm_by` tells whose it is ("same" or "another").
    """

    id: str
    command: str
    title: str
    args: Mapping[str, float]
    args_text: str
    hazard: str
    operator: str
    state: State
    state_text: str
    steps: Mapping[str, float | None]
    missing: str | None
    reason: str | None
    expires_rx: float | None
    earliest_confirm_rx: float | None
    sends: int
    since_rx: float
    confirm_by: str

    def as_dict(self) -> dict[str, object]:
        """Return the shape of recordings and of the page."""
        return {
            "id": self.id,
            "command": self.command,
            "title": self.title,
            "args": dict(self.args),
            "args_text": self.args_text,
            "hazard": self.hazard,
            "operator": self.operator,
            "state": self.state.value,
            "state_text": self.state_text,
            "steps": [{"step": name, "rx": rx_s} for name, rx_s in self.steps.items()],
            "missing": self.missing,
            "reason": self.reason,
            "expires_rx": self.expires_rx,
            "earliest_confirm_rx": self.earliest_confirm_rx,
            "sends": self.sends,
            "since_rx": self.since_rx,
            "confirm_by": self.confirm_by,
        }


@dataclass(frozen=True, slots=True)
class Prepare:
    """Ask for a counter, a frame and a durable intent."""

    id: str
    command: str
    args: Mapping[str, float]
    intent: Mapping[str, object]
    must_be_durable: bool


@dataclass(frozen=True, slots=True)
class Transmit:
    """Ask for these bytes to be sent."""

    id: str
    frame: bytes
    urgent: bool = False  # safe all: before whatever still waits for the port


@dataclass(frozen=True, slots=True)
class Changed:
    """Tell that a command looks different now."""

    view: CommandView


@dataclass(frozen=True, slots=True)
class PermitChanged:
    """Tell that the permit of a plan looks different now."""

    view: PermitView


Action = Prepare | Transmit | Changed | PermitChanged


@dataclass(frozen=True, slots=True)
class Reply:
    """What a person is told about an act."""

    ok: bool
    sentence: str = ""
    id: str | None = None
    checks: tuple[Check, ...] = ()


@dataclass
class PendingCommand:
    """One command under way. Times are session seconds."""

    id: str
    command: Command
    args: dict[str, float]
    operator: str
    state: State
    steps: dict[str, float]
    needs: tuple[str, ...]
    first: FirstAct | None = None  # of a command with two acts of its own
    preparing: bool = False
    counter: int = 0
    frame: bytes = b""
    sends: int = 0
    first_sent_s: float = inf
    last_sent_s: float = inf
    since_s: float = 0.0
    reason: str | None = None
    overdue: bool = False
    given_up: bool = False  # was once unknown: a late answer is taken, but nothing is ever sent again
    boot_id: int | None = None  # which start of the vehicle it was addressed to
    confirmed_by: str | None = None
    permit: str | None = None  # of the plan it belongs to
    answered: bool = False  # the vehicle has said something to it
    is_probe: bool = False  # the station's own ping: in nobody's way

    @property
    def in_flight(self) -> bool:
        """Bytes may be on their way or an effect may be coming."""
        return self.preparing or self.state in (State.SENT, State.ACCEPTED)

    @property
    def missing(self) -> str | None:
        """The first step not yet seen, while one is still expected."""
        if self.state in ENDED and self.state is not State.FAILED:
            return None
        return next((name for name in self.needs if name not in self.steps), None)


def command_view(entry: PendingCommand, other_confirms: bool = False) -> CommandView:
    """Return how a command looks now.

    `other_confirms` tells that the second act of this command belongs to another operator than the first.
    """
    first = entry.first if entry.state is State.ARMED else None
    text = STATE_TEXT[entry.state]
    if entry.state is State.COMPLETED and not entry.command.effects:
        text = "done says the vehicle, telemetry cannot show it"
    return CommandView(
        id=entry.id,
        command=entry.command.name,
        title=entry.command.title,
        args=dict(entry.args),
        args_text=entry.command.args_text(entry.args),
        hazard=entry.command.hazard,
        operator=entry.operator,
        state=entry.state,
        state_text=f"{text}: {entry.reason}" if entry.reason else text,
        steps={name: entry.steps.get(name) for name in entry.needs},
        missing=entry.missing,
        reason=entry.reason,
        expires_rx=first.latest_s if first else None,
        earliest_confirm_rx=first.earliest_s if first else None,
        sends=entry.sends,
        since_rx=entry.since_s,
        confirm_by="another" if first and other_confirms else "same",
    )
