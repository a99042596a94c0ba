"""The viewers' socket: it only sends. There is no parser behind it, so a viewer can never reach a command."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, WebSocket, WebSocketDisconnect

from server.http.context import Site
from server.http.messages import hello
from server.http.viewer_line import line_of
from server.http.viewers import Hub, Viewer
from server.json_text import to_json

router = APIRouter()


@router.websocket("/ws/view")
async def view(socket: WebSocket, site: Site) -> None:
    """Serve one viewer until it leaves."""
    station, hub = site.station, site.hub
    if station is None or hub is None or hub.is_full:
        await socket.close(1013, "nothing live here" if hub is None else "too many viewers")
        return
    await socket.accept()
    store = station.store
    viewer = Viewer(store.cursor(), store.journal_next, line_of(socket.scope))
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


async def _pump(socket: WebSocket, hub: Hub, viewer: Viewer) -> None:
    try:
        await hub.pump(viewer, socket.send_text)
    except (WebSocketDisconnect, RuntimeError, OSError):
        return
