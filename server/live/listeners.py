"""Who is told, in the event loop, of what the station notices."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from server.bridge.link_watch import LinkState


def _nothing() -> None:
    """Nobody wants to be told."""


@dataclass(frozen=True)
class Listeners:
    """Told of anything new in the store, of another holder of authority, of the link's state."""

    on_change: Callable[[], None] = _nothing
    on_authority: Callable[[], None] = _nothing
    on_link: Callable[[LinkState], None] = lambda state: None


NOBODY = Listeners()
