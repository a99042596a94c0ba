"""The two acts of a person: when the second one counts, and whose it must be. Written once; time is an argument.

The first act gets something ready, the second one starts it. Commands, permits of whole plans and plans that need no
permit all keep a `FirstAct` and ask `TwoActs` about the second. A first act is good for one short window, and only until
something disarms: what disarmed may be undone, the first act is not given back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

# Our choice. A double click has its second press within about 0.2 s; whoever looks at what is ready takes longer.
CONFIRM_EARLIEST_S = 0.3
# Our choice. Long enough to read what is ready and to look at the vehicle, short enough that nothing lies about ready to
# be started by somebody else, later: ready ends by itself, as a launch switch springs back when it is let go.
CONFIRM_LATEST_S = 10.0


@dataclass(frozen=True, slots=True)
class FirstAct:
    """Who got something ready, how hazardous it is, and at which session second; `era` counts what disarmed before."""

    operator: str
    hazard: str
    at_s: float
    era: int = 0

    @property
    def earliest_s(self) -> float:
        """The session second from which the second act counts."""
        return self.at_s + CONFIRM_EARLIEST_S

    @property
    def latest_s(self) -> float:
        """The last session second at which the second act counts."""
        return self.at_s + CONFIRM_LATEST_S

    def is_over(self, now_s: float) -> bool:
        """Whether the second act comes too late."""
        return now_s - self.at_s > CONFIRM_LATEST_S


class TwoActs:
    """Judges second acts. It is told who holds command authority, and everything that disarms."""

    def __init__(self, two_person: bool = False, seat_of: Callable[[str], str | None] = lambda operator: operator) -> None:
        """`two_person` asks that a hazardous first act be confirmed from another seat than the one it came from.

        `seat_of` tells the seat (the person's token) an operator's page is signed in at, None when it is gone.
        """
        self._two_person = two_person
        self._seat_of = seat_of
        self._era = 0
        self.holder: str | None = None

    @property
    def era(self) -> int:
        """How often something has disarmed."""
        return self._era

    def first(self, operator: str, hazard: str, now_s: float) -> FirstAct:
        """Keep a first act."""
        return FirstAct(operator, hazard, now_s, self._era)

    def disarm(self) -> None:
        """Something disarmed: no first act given so far counts any more."""
        self._era += 1

    def needs_another(self, hazard: str) -> bool:
        """Whether the second act belongs to another person than the first."""
        return self._two_person and hazard == "hazardous"

    def why_not(self, first: FirstAct, operator: str, now_s: float, *, is_same: bool = True) -> str | None:
        """Return why a second act does not count, or None; `is_same` tells that it names what was got ready."""
        if first.era != self._era or first.is_over(now_s):
            return "what was ready is not ready any more; get it ready again"
        wrong_person = self._wrong_person(first, operator)
        if wrong_person:
            return wrong_person
        if not is_same:
            return "this is not the command that was made ready"
        if now_s - first.at_s < CONFIRM_EARLIEST_S:
            return "too soon: look first, then confirm"
        return None

    def _wrong_person(self, first: FirstAct, operator: str) -> str | None:
        """One person holds authority and does both acts; by the two-person rule the holder does the first only."""
        if self.needs_another(first.hazard):
            seat = self._seat_of(operator)
            if seat is None or seat == self._seat_of(first.operator) or first.operator != self.holder:
                return "by the two-person rule another signed-in person confirms what the holder of authority got ready"
            return None
        if operator != first.operator or operator != self.holder:
            return "only the person who got it ready can confirm it"
        return None
