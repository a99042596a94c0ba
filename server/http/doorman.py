"""Who is let in when too many come: places are shared out by address, and some are kept for whom the station is there for.

Nobody on the network may keep others out by taking all places, neither of connections nor of viewers. Of both, one
address gets a share, and the last quarter is this computer's own; an operator's page has a place beyond all of them.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from ipaddress import ip_address

AT_MOST = 400  # connections that are no WebSocket; viewers and the desk have limits of their own
FROM_ONE_AT_MOST = 64  # from one address that is not this computer's own
VIEWERS_AT_MOST = 400
KEPT_FOR_OPERATORS = 16
"""Viewers' places for operators' pages, beyond the others: two for each desk (`operator_socket.OPERATORS_AT_MOST`), because
a page that comes again may come before its old connection is known to be gone."""


class Doorman:
    """Counts the connections of each address. One for each page server."""

    def __init__(self, at_most: int = AT_MOST, from_one: int = FROM_ONE_AT_MOST) -> None:
        self._at_most, self._from_one = at_most, from_one
        self._from: Counter[str] = Counter()

    def enter(self, source: str) -> bool:
        """Count one more connection of an address; False when it must not be let in, and is not counted.

        The last quarter is kept for this computer itself: the operator gets in whatever the network does.
        """
        own = _is_own(source)
        all_of_them = self._from.total()
        if (
            all_of_them >= self._at_most
            if own
            else (all_of_them >= self._at_most * 3 // 4 or self._from[source] >= self._from_one)
        ):
            return False
        self._from[source] += 1
        return True

    def leave(self, source: str) -> None:
        """Count one connection less."""
        self._from[source] -= 1
        if self._from[source] <= 0:
            del self._from[source]

    def __len__(self) -> int:
        return self._from.total()


def _is_own(source: str) -> bool:
    try:
        return ip_address(source).is_loopback
    except ValueError:
        return False


@dataclass(frozen=True, slots=True)
class ViewerPlace:
    """One viewer's place: whose address has it, and whether it is one of those kept for operators' pages."""

    source: str
    is_operators: bool


class ViewerPlaces:
    """Places of viewers. An operator's page takes one of those kept for it, and one like anybody's when they are taken."""

    def __init__(
        self, at_most: int = VIEWERS_AT_MOST, from_one: int = FROM_ONE_AT_MOST, kept: int = KEPT_FOR_OPERATORS
    ) -> None:
        self._others = Doorman(at_most, from_one)
        self._kept_free = kept

    def enter(self, source: str, is_operator: bool) -> ViewerPlace | None:
        """Take a place for a viewer from an address; None when there is none for it. Who gets one gives it back."""
        if is_operator and self._kept_free > 0:
            self._kept_free -= 1
            return ViewerPlace(source, True)
        return ViewerPlace(source, False) if self._others.enter(source) else None

    def leave(self, place: ViewerPlace) -> None:
        """Give a place back."""
        if place.is_operators:
            self._kept_free += 1
        else:
            self._others.leave(place.source)
