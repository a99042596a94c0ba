"""HTTP and WebSocket routes: translation only. What is decided is decided below.

Two sockets, so that a viewer can never reach a command: `/ws/view` only sends, `/ws/desk` belongs to a signed-in operator.
"""

from __future__ import annotations

import asyncio
import time
from contextlib import suppress
from typing import Any

from fastapi import FastAPI, HTTPException, Request, WebSocket, WebSocketDisconnect
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException as AnyHTTPException

from server.http.context import LIVE, PageContext
from server.http.download_routes import add_download_routes
from server.http.messages import dictionary_shape, hello, recorded_shape
from server.http.onboard_routes import add_onboard_routes
from server.http.openapi import EVERYWHERE, given, refusals
from server.http.operator_socket import desk_route
from server.http.plan_routes import add_plan_routes
from server.http.request_limit import Busy
from server.http.sharing import picture
from server.http.shelf_routes import add_shelf_routes
from server.http.viewer_line import LINE_EXTENSION
from server.http.viewers import Hub, Viewer
from server.json_text import to_json
from server.live.station import Station
from server.recording.session_file import SessionError
from server.review.review import Review
from server.review.summary import summarize
from server.shelf.shelf import UnknownSession
from server.telemetry.columns import columns_payload

LIST_WITHIN_S = 1.0  # the page asks again for what is still pending then


def make_app(site: PageContext) -> FastAPI:
    """Return the application for `site`."""
    app = FastAPI(
        title="Blockhouse",
        version=site.version,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        responses=refusals(*EVERYWHERE),
    )
    _add_pages(app, site)
    _add_api(app, site)
    add_shelf_routes(app, site)
    add_onboard_routes(app, site, lambda name: _opened(site, name)[0])
    add_download_routes(app, site, lambda name: _opened(site, name)[0])
    add_plan_routes(app, site, lambda name: _opened(site, name)[0])
    app.add_api_websocket_route("/ws/view", _viewer_route(site))
    app.add_api_websocket_route("/ws/desk", desk_route(site))
    return app


# ---------------------------------------------------------------- pages


def _add_pages(app: FastAPI, site: PageContext) -> None:
    @app.get("/", include_in_schema=False)
    def index() -> FileResponse:
        return FileResponse(site.page / "index.html")

    @app.exception_handler(AnyHTTPException)
    async def on_problem(request: Request, error: AnyHTTPException) -> JSONResponse:
        return JSONResponse({"sentence": error.detail}, status_code=error.status_code, headers=error.headers)

    @app.exception_handler(RequestValidationError)
    async def on_invalid(request: Request, error: RequestValidationError) -> JSONResponse:
        return JSONResponse({"sentence": "The request is not understood."}, status_code=422)

    @app.exception_handler(Busy)
    async def on_busy(request: Request, error: Busy) -> JSONResponse:
        return JSONResponse({"sentence": str(error)}, status_code=503, headers={"retry-after": "2"})

    app.mount("/web", StaticFiles(directory=site.page), name="web")
    app.mount("/vendor", StaticFiles(directory=site.charts), name="vendor")


# ---------------------------------------------------------------- data


def _add_api(app: FastAPI, site: PageContext) -> None:
    @app.get("/api/about")
    def about() -> dict[str, Any]:
        return {"version": site.version, "mode": site.mode, "open": site.open_first, "shared": site.shared_link}

    @app.get("/api/shared.svg", response_class=Response, responses={**given("image/svg+xml"), **refusals(404)})
    def shared() -> Response:
        if site.shared_link is None:
            raise HTTPException(404, "Nothing is shared: start the station with --share.")
        return Response(picture(site.shared_link), media_type="image/svg+xml")

    @app.get("/api/sessions")
    def sessions() -> list[dict[str, Any]]:
        begun = time.monotonic()
        enough = lambda: time.monotonic() - begun > LIST_WITHIN_S  # noqa: E731
        return site.shelf.list(site.station.name if site.station else None, enough)

    @app.get("/api/trials")
    def trials() -> dict[str, Any]:
        return site.trials.list() if site.trials is not None else {"plans": [], "problems": {}}

    @app.get("/api/sessions/{name}/dictionary", responses=refusals(404, 409, 503))
    async def dictionary(name: str) -> dict[str, Any]:
        if name == LIVE:
            station = _station(site)
            simulated = site.mode == "demo"
            return dictionary_shape(station.dictionary, simulated, station.header.site, station.header.vehicle)
        return await site.work.run(lambda: recorded_shape(_opened(site, name)[0]))

    @app.get("/api/sessions/{name}/summary", responses=refusals(404, 409, 503))
    async def summary(name: str) -> dict[str, Any]:
        if name == LIVE:
            raise HTTPException(409, "A summary is made of a finished session.")
        return await site.work.run(lambda: summarize(_opened(site, name)[0]))

    @app.get(
        "/api/sessions/{name}/columns",
        response_class=Response,
        responses={**given("application/octet-stream"), **refusals(404, 409, 503)},
    )
    async def columns(name: str) -> Response:
        if name == LIVE:
            body = await _live_columns(_station(site))
        else:
            body = await site.work.run(lambda: _opened(site, name)[1])
        return Response(body, media_type="application/octet-stream")


def _station(site: PageContext) -> Station:
    if site.station is None:
        raise HTTPException(404, "Nothing is being recorded: this station was started to replay.")
    return site.station


async def _live_columns(station: Station) -> bytes:
    """Copy the store in the event loop, where it cannot change meanwhile; pack it elsewhere."""
    tables = [
        (table.spec, table.next_index - table.count, table.matrix().copy(), {k: list(v) for k, v in table.texts().items()})
        for table in station.store.tables.values()
    ]
    journal = list(station.store.journal)
    return await asyncio.to_thread(columns_payload, LIVE, tables, journal)


def _opened(site: PageContext, name: str) -> tuple[Review, bytes]:
    """Return a session, from the few last opened if it has not changed since."""
    if site.station is not None and name == site.station.name:
        raise HTTPException(409, "This session is still being recorded; watch it live.")
    try:
        path = site.shelf.path_of(name)
        stamp = (path, path.stat().st_size, path.stat().st_mtime_ns)
        with site.opening:
            for known, known_stamp, review, body in site.opened:
                if known == name and known_stamp == stamp:
                    return review, body
            review = site.shelf.open(name)
            body = review.columns()
            site.opened.append((name, stamp, review, body))
    except UnknownSession as error:
        raise HTTPException(404, str(error)) from error
    except (SessionError, OSError) as error:
        raise HTTPException(409, str(error)) from error
    return review, body


def open_ahead(site: PageContext, name: str) -> None:
    """Open the session a page will ask for first; what is wrong with it is told when it asks."""
    with suppress(HTTPException):
        _opened(site, name)


# ---------------------------------------------------------------- sockets


def _viewer_route(site: PageContext) -> Any:
    async def view(socket: WebSocket) -> None:
        station, hub = site.station, site.hub
        if station is None or hub is None or hub.is_full:
            await socket.close(1013, "nothing live here" if hub is None else "too many viewers")
            return
        await socket.accept()
        store = station.store
        first = hello(station.name, site.mode, station.now_s(), station.pipeline.last_t, store)
        line = socket.scope.get("extensions", {}).get(LINE_EXTENSION)
        viewer = Viewer(dict(first["cursor"]), store.journal_next, line)
        pump = None
        try:
            await socket.send_text(to_json(first).decode())
            if line is not None:
                hub.join(viewer)
            else:
                pump = asyncio.create_task(_pump(socket, hub, viewer))
            while (await socket.receive())["type"] != "websocket.disconnect":
                continue  # whatever a viewer says is not read: there is no parser behind this socket
        except (WebSocketDisconnect, RuntimeError, OSError):
            return
        finally:
            hub.leave(viewer)
            if pump is not None:
                pump.cancel()

    return view


async def _pump(socket: WebSocket, hub: Hub, viewer: Viewer) -> None:
    try:
        await hub.pump(viewer, socket.send_text)
    except (WebSocketDisconnect, RuntimeError, OSError):
        return
