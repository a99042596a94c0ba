"""The onboard log over HTTP: bring one in, look at it, take its columns. Translation only.

POST takes the log's file as the body, its name as `?file=`, a mapping as JSON in `?map=` (in the form of the TOML file;
without it one is guessed) and answers with the report: alignment, or the reason of its refusal. `?look=1` only says which
columns there are and what is guessed. The body's size is bounded by `UPLOAD_AT_MOST`.
"""

from __future__ import annotations

import asyncio
import json
import tempfile
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import Response

from server.http.context import PageContext, Site
from server.http.keeper import keeper, refuse_recording
from server.http.openapi import LOG_BODY, given, refusals
from server.http.opened import opened
from server.http.security import UPLOAD_AT_MOST
from server.json_text import to_json
from server.shelf.onboard_alignment import columns
from server.shelf.onboard_log import look
from server.shelf.onboard_mapping import LogMapping, parse_mapping

MAP_AT_MOST = 12_000  # it comes in the address, and a whole head holds 64 KiB
READ = refusals(404, 409, 503)

router = APIRouter(prefix="/api/sessions/{name}/onboard")


@router.post(
    "",
    response_class=Response,
    responses={**given("application/json"), **refusals(401), **READ},
    openapi_extra=LOG_BODY,
    dependencies=[Depends(keeper)],
)
async def bring(name: str, request: Request, site: Site) -> Response:
    """Take a log and align it, or only look at it."""
    refuse_recording(site, name)
    site.shelf.place_of(name)  # refused before the file is taken
    mapping, title = _mapping(request.query_params.get("map")), request.query_params.get("file", "log.csv")
    only_look = bool(request.query_params.get("look"))
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "log"
        await _received(request, file)
        try:
            answer = await site.work.run(lambda: _looked(file) if only_look else _taken(site, name, file, mapping, title))
        finally:
            site.reading.pop(name, None)
    return _json(answer)


@router.get("", response_class=Response, responses={**given("application/json"), **READ})
async def report(name: str, site: Site) -> Response:
    """Return the report on the log kept with a session."""
    told = await site.work.run(lambda: site.onboard.report(opened(site, name), site.shelf.place_of(name)))
    return _json(told.as_dict())


@router.get("/columns", response_class=Response, responses={**given("application/octet-stream"), **READ})
async def onboard_columns(name: str, site: Site) -> Response:
    """Return the kept log's columns on the recording's clock."""
    body = await site.work.run(lambda: columns(opened(site, name), *site.onboard.kept(site.shelf.place_of(name))))
    return Response(body, media_type="application/octet-stream")


@router.get("/progress", responses=refusals(404))
def how_far(name: str, site: Site) -> dict[str, str | None]:
    """Return how far the reading of a log is, None when none is read."""
    return {"text": site.reading.get(name)}


@router.delete("", responses=refusals(401, 404, 409), dependencies=[Depends(keeper)])
async def drop(name: str, site: Site) -> dict[str, bool]:
    """Take the kept log of a session away again."""
    await asyncio.to_thread(site.onboard.drop, site.shelf.place_of(name))
    return {"ok": True}


def _taken(site: PageContext, name: str, file: Path, mapping: LogMapping | None, title: str) -> dict[str, Any]:
    def progress(text: str) -> None:
        site.reading[name] = text

    return site.onboard.take(opened(site, name), site.shelf.place_of(name), file, mapping, title, progress).as_dict()


def _looked(file: Path) -> dict[str, Any]:
    seen = look(file)
    guess = seen.guess.as_dict() if seen.guess is not None else None
    return {"columns": seen.names, "numeric": [seen.names[i] for i in seen.numeric], "guess": guess}


def _json(value: object) -> Response:
    return Response(to_json(value), media_type="application/json")


def _mapping(text: str | None) -> LogMapping | None:
    if not text:
        return None
    if len(text) > MAP_AT_MOST:
        raise HTTPException(413, "The mapping is too long.")
    try:
        value = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise HTTPException(400, "The mapping holds no JSON.") from error
    if not isinstance(value, dict):
        raise HTTPException(400, "The mapping holds no JSON object.")
    return parse_mapping(value)


async def _received(request: Request, file: Path) -> None:
    size = 0
    with file.open("wb") as out:
        async for piece in request.stream():
            size += len(piece)
            if size > UPLOAD_AT_MOST:
                raise HTTPException(413, f"The log is larger than {UPLOAD_AT_MOST >> 20} MB.")
            await asyncio.to_thread(out.write, piece)
