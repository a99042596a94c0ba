"""uvicorn's connections, with two things it leaves open: who says nothing is let go, and nobody may hold all of them.

Both lean on inner classes of uvicorn; a new uvicorn needs the tests of this module and of the browser.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from server.http.doorman import Doorman
from server.http.viewer_line import ViewerLine, put_line

if TYPE_CHECKING:  # uvicorn's own parser, named nowhere else
    import h11

SILENT_S = 15.0  # from the connection to the end of the first request's head; after an answer uvicorn waits 5 s


class PageSocket(H11Protocol):
    """One HTTP connection. `doorman` is set on a subclass by `page_socket`."""

    doorman: Doorman

    _entered: str | None = None
    _silence: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # a stream has no other
        """Let it in, and wait only so long for it to say something."""
        super().connection_made(transport)
        source = self.client[0] if self.client else "?"
        if not self.doorman.enter(source):
            transport.abort()
            return
        self._entered = source
        self._silence = self.loop.call_later(SILENT_S, self._let_go)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        self._left()
        super().connection_lost(exc)

    def handle_websocket_upgrade(self, event: h11.Request) -> None:
        """From here on it is a WebSocket, which is counted elsewhere."""
        self._left()
        super().handle_websocket_upgrade(event)

    def _let_go(self) -> None:
        if self.cycle is None:  # not one whole request has come
            self.transport.abort()

    def _left(self) -> None:
        if self._silence is not None:
            self._silence.cancel()
        if self._entered is not None:
            self.doorman.leave(self._entered)
            self._entered = None


def page_socket(doorman: Doorman) -> type[PageSocket]:
    """Return the class of connections for uvicorn, counted by `doorman`."""
    return type("CountedPageSocket", (PageSocket,), {"doorman": doorman})


class LinedSocket(WebSocketsSansIOProtocol):
    """uvicorn's WebSocket, which lets a viewer's route write frames that were made once for everybody."""

    async def run_asgi(self) -> None:
        """Serve one connection, with its line among the scope's extensions."""
        put_line(self.scope["extensions"], ViewerLine(self.transport))
        await super().run_asgi()
