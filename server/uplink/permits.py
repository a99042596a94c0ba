"""A permit: the two acts of a person for a whole written plan of commands, as a bench trial needs.

"Two acts for every hazardous command" holds for a trial in this form: the person arms the *plan*, with every command in
it named and counted, and confirms it by a second act inside the same short window. That opens a permit for exactly that
collection of (command, arguments), each used once. It ends for good with any disarming event, after a minute without
progress, when everything is used, or when the trial ends it.

    ARMED   first act done; waits for the second
    OPEN    commands of the plan may be sent, one at a time, every interlock still checked each time
    ENDED   nothing more may be sent under it
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from server.uplink.two_acts import FirstAct

# Our choice. Longer than any wait a plan may hold (50 s, `trials.plan`) with the steps around it, so that it ends only what
# nobody drives any more; a permit left open by mistake is worth no more than a minute.
IDLE_AT_MOST_S = 60.0
# Our choice: the longest trial that makes sense on a bench, some hours of a command each second; it bounds memory.
PERMITTED_AT_MOST = 20_000


class PermitState(StrEnum):
    """Where a permit stands."""

    ARMED = "armed"
    OPEN = "open"
    ENDED = "ended"


class PermitEvent(StrEnum):
    """What can happen to a permit."""

    CONFIRM = "confirm"
    END = "end"


PERMIT_TRANSITIONS: dict[PermitState, dict[PermitEvent, PermitState]] = {
    PermitState.ARMED: {PermitEvent.CONFIRM: PermitState.OPEN, PermitEvent.END: PermitState.ENDED},
    PermitState.OPEN: {PermitEvent.END: PermitState.ENDED},
    PermitState.ENDED: {},
}

Slot = tuple[str, tuple[tuple[str, float], ...]]


def slot(command: str, args: Mapping[str, float]) -> Slot:
    """Return what stands for one command with its arguments in a permit."""
    return command, tuple(sorted((name, float(value)) for name, value in args.items()))


@dataclass(frozen=True, slots=True)
class PermitView:
    """One permit at one moment, for a person, a trial and the recording. Times are session seconds.

    `left` counts the commands not yet sent; `expires_rx` and `earliest_confirm_rx` bound the second act while it is
    waited for.
    """

    id: str
    title: str
    operator: str
    confirmed_by: str | None
    state: PermitState
    reason: str | None
    left: int
    expires_rx: float | None
    earliest_confirm_rx: float | None

    def as_dict(self) -> dict[str, object]:
        """Return the shape of recordings and of the page."""
        return {
            "id": self.id,
            "title": self.title,
            "operator": self.operator,
            "confirmed_by": self.confirmed_by,
            "state": self.state.value,
            "reason": self.reason,
            "left": self.left,
            "expires_rx": self.expires_rx,
            "earliest_confirm_rx": self.earliest_confirm_rx,
        }


@dataclass
class PlanPermit:
    """One permit. Times are session seconds."""

    id: str
    title: str
    first: FirstAct  # with the hazard of its most hazardous command
    left: Counter[Slot]
    since_s: float
    confirmed_s: float | None = None
    confirmed_by: str | None = None
    state: PermitState = PermitState.ARMED
    reason: str | None = None

    def apply(self, event: PermitEvent, now_s: float, reason: str | None = None) -> bool:
        """Change the state by the table; False when the table has no such pair."""
        following = PERMIT_TRANSITIONS[self.state].get(event)
        if following is None:
            return False
        self.state, self.since_s = following, now_s
        self.reason = reason
        return True

    def use(self, command: str, args: Mapping[str, float], now_s: float) -> bool:
        """Take one slot; False when the permit has none left for this command with these arguments."""
        wanted = slot(command, args)
        if self.state is not PermitState.OPEN or self.left[wanted] <= 0:
            return False
        self.left[wanted] -= 1
        self.since_s = now_s
        return True

    def view(self) -> PermitView:
        """Return how the permit looks now."""
        armed = self.first if self.state is PermitState.ARMED else None
        return PermitView(
            id=self.id,
            title=self.title,
            operator=self.first.operator,
            confirmed_by=self.confirmed_by,
            state=self.state,
            reason=self.reason,
            left=sum(self.left.values()),
            expires_rx=armed.latest_s if armed else None,
            earliest_confirm_rx=armed.earliest_s if armed else None,
        )


def slots_of(allowed: Sequence[tuple[str, Mapping[str, float]]]) -> Counter[Slot]:
    """Return how often each command of a plan may be sent; raises ValueError for an empty or endless plan."""
    if not 1 <= len(allowed) <= PERMITTED_AT_MOST:
        raise ValueError(f"a plan must hold 1 to {PERMITTED_AT_MOST} commands")
    return Counter(slot(command, args) for command, args in allowed)
