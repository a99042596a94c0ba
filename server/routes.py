"""HTTP and WebSocket routes: translation only. What is decided is decided below.

Two sockets, so that a viewer can never reach a command: `/ws/view` only sends, `/ws/desk` belongs to a signed-in operator.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fastapi import FastAPI, HTTPException, Request, WebSocket, WebSocketDisconnect
from fastapi.responses import FileResponse, JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException as AnyHTTPException

from protocol.errors import ValueRefused
from server.command_queue import Reply
from server.hub import Hub, Viewer
from server.messages import DESK_REQUESTS, columns_payload, dictionary_shape, hello, to_json
from server.review import Review
from server.security import tokens_match
from server.session_file import SessionError
from server.shelf import Shelf, UnknownSession
from server.station import Station
from server.summary import summarize

LIVE = "live"
SIGN_IN_WITHIN_S = 10.0
WRONG_TOKEN_DELAY_S = 1.0
REQUESTS_PER_S = 30
OPERATORS_AT_MOST = 8


@dataclass
class Site:
    """Everything the routes reach: made by the composition root."""

    version: str
    mode: str
    shelf: Shelf
    page: Path
    charts: Path
    token: str
    station: Station | None = None
    hub: Hub | None = None
    open_first: str | None = None
    operators: dict[str, WebSocket] = field(default_factory=dict)
    opened: deque[tuple[str, tuple, Review, bytes]] = field(default_factory=lambda: deque(maxlen=2))


def make_app(site: Site) -> FastAPI:
    """Return the application for `site`."""
    app = FastAPI(title="Blockhouse", version=site.version, docs_url=None, redoc_url=None, openapi_url="/api/openapi.json")
    _add_pages(app, site)
    _add_api(app, site)
    app.add_api_websocket_route("/ws/view", _viewer_route(site))
    app.add_api_websocket_route("/ws/desk", _desk_route(site))
    if site.station is not None:
        site.station.on_authority = lambda: _tell_authority(site)
    return app


# ---------------------------------------------------------------- pages


def _add_pages(app: FastAPI, site: Site) -> None:
    @app.get("/", include_in_schema=False)
    def index() -> FileResponse:
        return FileResponse(site.page / "index.html")

    @app.exception_handler(AnyHTTPException)
    async def on_problem(request: Request, error: AnyHTTPException) -> JSONResponse:
        return JSONResponse({"sentence": error.detail}, status_code=error.status_code, headers=error.headers)

    app.mount("/web", StaticFiles(directory=site.page), name="web")
    app.mount("/vendor", StaticFiles(directory=site.charts), name="vendor")


# ---------------------------------------------------------------- data


def _add_api(app: FastAPI, site: Site) -> None:
    @app.get("/api/about")
    def about() -> dict[str, Any]:
        return {"version": site.version, "mode": site.mode, "open": site.open_first}

    @app.get("/api/sessions")
    def sessions() -> list[dict[str, Any]]:
        return site.shelf.list(site.station.name if site.station else None)

    @app.get("/api/sessions/{name}/dictionary")
    def dictionary(name: str) -> dict[str, Any]:
        if name == LIVE:
            station = _station(site)
            simulated = site.mode == "demo"
            return dictionary_shape(station.dictionary, simulated, station.header["site"], station.header["vehicle"])
        return _opened(site, name)[0].shape()

    @app.get("/api/sessions/{name}/summary")
    def summary(name: str) -> dict[str, Any]:
        if name == LIVE:
            raise HTTPException(409, "A summary is made of a finished session.")
        return summarize(_opened(site, name)[0])

    @app.get("/api/sessions/{name}/columns")
    async def columns(name: str) -> Response:
        if name == LIVE:
            body = await _live_columns(_station(site))
        else:
            body = await asyncio.to_thread(lambda: _opened(site, name)[1])
        return Response(body, media_type="application/octet-stream")


def _station(site: Site) -> Station:
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


def _opened(site: Site, name: str) -> tuple[Review, bytes]:
    """Return a session, from the few last opened if it has not changed since."""
    if site.station is not None and name == site.station.name:
        raise HTTPException(409, "This session is still being recorded; watch it live.")
    try:
        path = site.shelf.path_of(name)
        stamp = (path, path.stat().st_size, path.stat().st_mtime_ns)
        for known, known_stamp, review, body in site.opened:
            if known == name and known_stamp == stamp:
                return review, body
        review = site.shelf.open(name)
        body = review.columns()
    except UnknownSession as error:
        raise HTTPException(404, "There is no session of that name.") from error
    except (SessionError, OSError) as error:
        raise HTTPException(409, str(error)) from error
    site.opened.append((name, stamp, review, body))
    return review, body


# ---------------------------------------------------------------- sockets


def _viewer_route(site: Site) -> Any:
    async def view(socket: WebSocket) -> None:
        station, hub = site.station, site.hub
        if station is None or hub is None or hub.is_full:
            await socket.close(1013, "nothing live here" if hub is None else "too many viewers")
            return
        await socket.accept()
        store = station.store
        first = hello(station.name, site.mode, station.now_s(), station.pipeline.last_t, store)
        viewer = Viewer(dict(first["cursor"]), store.journal_next)
        pump = asyncio.create_task(_pump(socket, hub, viewer, to_json(first).decode()))
        try:
            while (await socket.receive())["type"] != "websocket.disconnect":
                continue  # whatever a viewer says is not read: there is no parser behind this socket
        finally:
            pump.cancel()

    return view


async def _pump(socket: WebSocket, hub: Hub, viewer: Viewer, first: str) -> None:
    try:
        await socket.send_text(first)
        await hub.pump(viewer, socket.send_text)
    except (WebSocketDisconnect, RuntimeError, OSError):
        return


def _desk_route(site: Site) -> Any:
    async def desk(socket: WebSocket) -> None:
        if site.station is None:
            await socket.close(1013, "nothing can be commanded here")
            return
        await socket.accept()
        operator = await _signed_in(socket, site)
        if operator is None:
            return
        station = site.station
        site.operators[operator] = socket
        try:
            station.sign_in(operator)
            await socket.send_text(
                _text({"type": "signed_in", "operator": operator, "authority": _authority(station, operator)})
            )
            await _serve_desk(socket, station, operator)
        except (WebSocketDisconnect, RuntimeError, OSError):
            return
        except KeyError:  # bytes came where a text is due
            await socket.close(1003, "the desk takes texts only")
        finally:
            site.operators.pop(operator, None)
            station.leave(operator)

    return desk


async def _signed_in(socket: WebSocket, site: Site) -> str | None:
    """Return the operator's name after a right token, or close the socket; a wrong token costs time."""
    try:
        request = _request(await asyncio.wait_for(socket.receive_text(), SIGN_IN_WITHIN_S))
    except (WebSocketDisconnect, RuntimeError):
        return None
    except (TimeoutError, KeyError):  # KeyError: bytes came where a text is due
        await socket.close(1008, "no sign-in came")
        return None
    if request is None or request.get("type") != "sign_in" or not tokens_match(request.get("token"), site.token):
        await asyncio.sleep(WRONG_TOKEN_DELAY_S)
        await socket.close(1008, "the operator token is not right; use the link printed in the terminal")
        return None
    if len(site.operators) >= OPERATORS_AT_MOST:
        await socket.close(1013, "too many operators are signed in")
        return None
    return _free_name(request.get("name"), site)


def _free_name(wanted: object, site: Site) -> str:
    base = "".join(c for c in str(wanted or "") if c.isprintable())[:24].strip() or "operator"
    number = 1
    while f"{base} {number}" in site.operators:
        number += 1
    return f"{base} {number}"


async def _serve_desk(socket: WebSocket, station: Station, operator: str) -> None:
    loop = asyncio.get_running_loop()
    recent: deque[float] = deque(maxlen=REQUESTS_PER_S)
    while True:
        text = await socket.receive_text()
        now = loop.time()
        if len(recent) == REQUESTS_PER_S and now - recent[0] < 1.0:
            await asyncio.sleep(1.0 - (now - recent[0]))
        recent.append(loop.time())
        request = _request(text)
        if request is None or request.get("type") not in DESK_REQUESTS:
            await socket.send_text(
                _text({"type": "reply", "n": None, "ok": False, "sentence": "this request is not understood"})
            )
            continue
        answer = _answer(station, operator, request)
        if answer is not None:
            await socket.send_text(_text({"type": "reply", "n": _number(request.get("n")), **answer}))


def _answer(station: Station, operator: str, request: dict[str, Any]) -> dict[str, Any] | None:
    station.authority.alive(operator, station.now_s())
    kind = request["type"]
    if kind in ("alive", "sign_in"):
        return None
    if kind == "check":
        return _check(station, request)
    if kind == "mark":
        return _reply_shape(station, station.mark(operator, str(request.get("text", ""))))
    return _reply_shape(station, station.act(operator, kind, request))


def _number(n: object) -> int | None:
    """Return a request's number as the reply carries it back; a page counts, anything else is not echoed."""
    return n if isinstance(n, int) and not isinstance(n, bool) and abs(n) < 1 << 53 else None


def _check(station: Station, request: dict[str, Any]) -> dict[str, Any]:
    command, args = str(request.get("command")), request.get("args")
    described = station.dictionary.commands.get(command)
    if described is None or not isinstance(args, dict):
        return {"ok": False, "sentence": "there is no such command", "interlocks": [], "ready": False}
    try:
        described.pack_args(args)
    except ValueRefused as error:
        return {"ok": False, "sentence": str(error), "interlocks": [], "ready": False}
    checks = station.queue.checks(command, args, station.now_s())
    return {"ok": True, "interlocks": [c.as_dict() for c in checks], "ready": all(c.met for c in checks)}


def _reply_shape(station: Station, reply: Reply) -> dict[str, Any]:
    shape: dict[str, Any] = {"ok": reply.ok, "sentence": reply.sentence, "id": reply.id}
    if reply.checks:
        shape["interlocks"] = [check.as_dict() for check in reply.checks]
    view = next((v for v in station.queue.views() if v["id"] == reply.id), None)
    if view is not None:
        shape["expires_rx"], shape["earliest_confirm_rx"] = view["expires_rx"], view["earliest_confirm_rx"]
    return shape


def _authority(station: Station, operator: str) -> dict[str, Any]:
    holder = station.authority.holder
    return {"holder": holder, "yours": holder == operator}


def _tell_authority(site: Site) -> None:
    for operator, socket in site.operators.items():
        message = _text({"type": "authority", **_authority(site.station, operator)})
        task = asyncio.ensure_future(socket.send_text(message))
        task.add_done_callback(lambda done: done.exception())


def _request(text: str) -> dict[str, Any] | None:
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return value if isinstance(value, dict) else None


def _text(value: dict[str, Any]) -> str:
    return to_json(value).decode()
