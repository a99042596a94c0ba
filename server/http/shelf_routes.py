"""What changes the shelf over HTTP: labels, notes, the trash. Translation only; the shelf decides."""

from __future__ import annotations

import asyncio
import json
from typing import Any

from fastapi import APIRouter, Depends, HTTPException, Request

from server.http.context import PageContext, Site
from server.http.keeper import keeper, refuse_recording
from server.http.openapi import NOTES_BODY, refusals
from server.http.security import BODY_AT_MOST

CHANGE = refusals(401, 404, 409)

router = APIRouter(prefix="/api")


@router.get("/sessions/{name}/notes", responses=refusals(404, 409))
def notes(name: str, site: Site) -> dict[str, Any]:
    """Return what was added to a session."""
    return site.shelf.notes(name)


@router.put("/sessions/{name}/notes", responses=CHANGE, openapi_extra=NOTES_BODY, dependencies=[Depends(keeper)])
async def note(name: str, request: Request, site: Site) -> dict[str, Any]:
    """Add to a session."""
    changes = await json_body(request)
    return await asyncio.to_thread(site.shelf.note, name, changes)


@router.delete("/sessions/{name}", responses=CHANGE, dependencies=[Depends(keeper)])
async def delete(name: str, site: Site) -> dict[str, Any]:
    """Move a session into the trash; return what lies there."""
    refuse_recording(site, name)
    await asyncio.to_thread(site.shelf.delete, name)
    return await _trashed(site)


@router.get("/trash")
def trash(site: Site) -> list[dict[str, Any]]:
    """Return what lies in the trash."""
    return site.shelf.trash()


@router.post("/trash/{entry}/restore", responses=CHANGE, dependencies=[Depends(keeper)])
async def restore(entry: str, site: Site) -> dict[str, Any]:
    """Move a session out of the trash; return what still lies there."""
    await asyncio.to_thread(site.shelf.restore, entry)
    return await _trashed(site)


async def _trashed(site: PageContext) -> dict[str, Any]:
    return {"trash": await asyncio.to_thread(site.shelf.trash)}


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
