"""The viewers' socket: it only sends. There is no parser behind it, so a viewer can never reach a command."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, WebSocket, WebSocketDisconnect

from server.http.context import PageContext, Site
from server.http.messages import hello
from server.http.viewer_line import line_of
from server.http.viewers import Hub, Viewer
from server.json_text import to_json
from server.live.station import Station

PROTOCOL = "view"
OPERATORS = "operator."  # before the token, offered as a second protocol

router = APIRouter()


@router.websocket("/ws/view")
async def view(socket: WebSocket, site: Site) -> None:
    """Serve one viewer until it leaves."""
    station, hub = site.station, site.hub
    if station is None or hub is None:
        await socket.close(1013, "nothing live here")
        return
    place = hub.places.enter(socket.client.host if socket.client else "?", _is_operators(socket, site))
    if place is None:
        await socket.close(1013, "too many viewers")
        return
    try:
        await socket.accept(PROTOCOL if PROTOCOL in _offered(socket) else None)
        await _serve(socket, site, station, hub, place.is_operators)
    finally:
        hub.places.leave(place)


async def _serve(socket: WebSocket, site: PageContext, station: Station, hub: Hub, is_operators: bool) -> None:
    store = station.store
    viewer = Viewer(store.cursor(), store.journal_next, line_of(socket.scope), is_operators)
    first = hello(station.name, site.mode, station.now_s(), station.pipeline.last_t, store)
    pump = None
    try:
        await socket.send_text(to_json(first).decode())
        if viewer.line is not None:
            hub.join(viewer)
        else:
            pump = asyncio.create_task(_pump(socket, hub, viewer))
        while (await socket.receive())["type"] != "websocket.disconnect":
            continue  # whatever a viewer says is not read
    except (WebSocketDisconnect, RuntimeError, OSError):
        return
    finally:
        hub.leave(viewer)
        if pump is not None:
            pump.cancel()


def _offered(socket: WebSocket) -> list[str]:
    """Return the subprotocols a page offers (RFC 6455 section 1.9)."""
    return list(socket.scope.get("subprotocols", ()))


def _is_operators(socket: WebSocket, site: PageContext) -> bool:
    """Tell whether an operator's page asks: it offers its token behind our protocol, a header that no other page can set.

    A wrong token, as a page has that was there before the station was started anew, makes a viewer like any other.
    """
    match _offered(socket):
        case [first, second, *_] if first == PROTOCOL and second.startswith(OPERATORS):
            return site.guard.seat_of(second.removeprefix(OPERATORS)) is not None
    return False


async def _pump(socket: WebSocket, hub: Hub, viewer: Viewer) -> None:
    try:
        await hub.pump(viewer, socket.send_text)
    except (WebSocketDisconnect, RuntimeError, OSError):
        return
