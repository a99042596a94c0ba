"""What the routes reach: made by the composition root, shared by pages, data and sockets."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Annotated

from fastapi import Depends, WebSocket
from starlette.requests import HTTPConnection

from server.http.request_limit import RequestLimit, WorkGate
from server.http.security import TokenGuard
from server.http.viewers import Hub
from server.live.count_desk import CountDesk
from server.live.pad_desk import PadDesk
from server.live.station import Station
from server.live.trial_desk import TrialDesk
from server.review.review import Review
from server.shelf.onboard_store import OnboardStore
from server.shelf.past_trials import PastTrials
from server.shelf.shelf import Shelf

Stamp = tuple[str, int, int]
"""A file's path, size and date (ns): what it was when it was opened."""
LIVE = "live"  # what the session being recorded is called in an address


@dataclass
class PageContext:
    """Everything the routes reach: made by the composition root."""

    version: str
    mode: str
    shelf: Shelf
    page: Path
    charts: Path
    tokens: Mapping[str, str]  # a person's seat -> the token of the link printed for it
    guard: TokenGuard
    station: Station | None = None
    hub: Hub | None = None
    open_first: str | None = None
    trials: TrialDesk | None = None
    pad: PadDesk | None = None
    count: CountDesk | None = None
    ignites_t: float | None = None  # of a demonstration, timeline seconds
    rate: float = 1.0
    shared_link: str | None = None  # where phones may watch
    units: str = "metric"  # what a page reads in until its person chooses
    operators: dict[str, WebSocket] = field(default_factory=dict)
    sending: set[asyncio.Future[None]] = field(default_factory=set)  # kept until done, or they may vanish unsent
    limit: RequestLimit = field(default_factory=RequestLimit)
    work: WorkGate = field(default_factory=WorkGate)  # what takes a while to work out waits its turn here
    opening: Lock = field(default_factory=Lock)  # a page asks several things of a session at once; it is opened once
    opened: deque[tuple[str, Stamp, Review, bytes]] = field(default_factory=lambda: deque(maxlen=2))
    onboard: OnboardStore = field(default_factory=OnboardStore)
    past_trials: PastTrials = field(init=False)
    reading: dict[str, str] = field(default_factory=dict)  # a session's name -> how far the log brought in for it is read

    def __post_init__(self) -> None:
        self.past_trials = PastTrials(self.shelf)


def site_of(connection: HTTPConnection) -> PageContext:
    """Return the context of the application that a request or socket came to."""
    site: PageContext = connection.app.state.site
    return site


Site = Annotated[PageContext, Depends(site_of)]
"""What a route takes to reach it."""
