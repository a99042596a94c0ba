"""What changes the shelf over HTTP: labels, notes, the trash. Translation only; the shelf decides.

Every change needs a token: the operator's at a live station, the one of the run's printed address in a replay. It comes
in the header "Authorization: Bearer TOKEN", which no other page can make a browser send. Host and Origin are checked
before anything here runs (`security.py`).
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import Any

from fastapi import FastAPI, HTTPException, Request

from server.http.context import PageContext
from server.http.openapi import NOTES_BODY, refusals
from server.http.security import BODY_AT_MOST
from server.shelf.session_notes import NotesProblem
from server.shelf.shelf import UnknownSession
from server.shelf.trash import TrashProblem

PROBLEMS = (NotesProblem, TrashProblem)


def add_shelf_routes(app: FastAPI, site: PageContext) -> None:
    """Add the routes that change what is on the shelf, and those that read what was added."""
    change = refusals(401, 404, 409)

    @app.get("/api/sessions/{name}/notes", responses=refusals(404, 409))
    def notes(name: str) -> dict[str, Any]:
        return told(lambda: site.shelf.notes(name))

    @app.put("/api/sessions/{name}/notes", responses=change, openapi_extra=NOTES_BODY)
    async def note(name: str, request: Request) -> dict[str, Any]:
        await keeper(site, request)
        changes = await json_body(request)
        return await asyncio.to_thread(told, lambda: site.shelf.note(name, changes))

    @app.delete("/api/sessions/{name}", responses=change)
    async def delete(name: str, request: Request) -> dict[str, Any]:
        await keeper(site, request)
        refuse_recording(site, name)
        await asyncio.to_thread(told, lambda: site.shelf.delete(name))
        return {"trash": await asyncio.to_thread(site.shelf.trash)}

    @app.get("/api/trash")
    def trash() -> list[dict[str, Any]]:
        return site.shelf.trash()

    @app.post("/api/trash/{entry}/restore", responses=change)
    async def restore(entry: str, request: Request) -> dict[str, Any]:
        await keeper(site, request)
        await asyncio.to_thread(told, lambda: site.shelf.restore(entry))
        return {"trash": await asyncio.to_thread(site.shelf.trash)}


def told(act: Callable[[], Any]) -> Any:
    """Do something with the shelf; what it refuses becomes an answer with its sentence."""
    try:
        return act()
    except UnknownSession as error:
        raise HTTPException(404, str(error)) from error
    except PROBLEMS as error:
        raise HTTPException(409, str(error)) from error


def refuse_recording(site: PageContext, name: str) -> None:
    """Refuse what cannot be done to the session that is being recorded."""
    if site.station is not None and name == site.station.name:
        raise HTTPException(409, "This session is still being recorded; end the station first.")


async def keeper(site: PageContext, request: Request) -> None:
    """Let only a holder of a token through; a wrong one costs time, as at the desk."""
    kind, _, token = request.headers.get("authorization", "").partition(" ")
    if kind.lower() != "bearer" or not token:
        raise HTTPException(401, "Changing the shelf needs the page's own link, as printed in the terminal.")
    source = request.client.host if request.client else "?"
    verdict = site.guard.check(token, source, asyncio.get_running_loop().time())
    if verdict.seat is None:
        await asyncio.sleep(verdict.wait_s)
        raise HTTPException(403, "The token is not right; use the link printed in the terminal.")


async def json_body(request: Request) -> dict[str, Any]:
    """Return a request's JSON object."""
    data = bytearray()
    async for piece in request.stream():  # a body that comes in pieces tells no length beforehand
        data += piece
        if len(data) > BODY_AT_MOST:
            raise HTTPException(413, "The request is too large.")
    try:
        value = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise HTTPException(400, "The request holds no JSON.") from error
    if not isinstance(value, dict):
        raise HTTPException(400, "The request holds no JSON object.")
    return value
