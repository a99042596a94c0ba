"""The onboard log over HTTP: bring one in, look at it, take its columns. Translation only.

POST takes the log's file as the body, its name as `?file=`, a mapping as JSON in `?map=` (in the form of the TOML file;
without it one is guessed) and answers with the report: alignment, or the reason of its refusal. Several files of one flight
follow each other in the body, each with a `file=` and the bytes it has in `size=`. A file that is a card in the vehicle's
own format is decoded, as in a terminal. `?look=1` only says which columns there are and what is guessed, or that it is a
card. The body's size is bounded by `UPLOAD_AT_MOST`.
"""

from __future__ import annotations

import asyncio
import json
import re
import tempfile
from collections.abc import Sequence
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
from server.shelf.onboard_card import is_card
from server.shelf.onboard_log import look
from server.shelf.onboard_mapping import LogMapping, parse_mapping

FILES_AT_MOST, NAME_AT_MOST, PIECE = 32, 120, 1 << 20
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
    query = request.query_params
    mapping, named = _mapping(query.get("map")), _named(query.getlist("file") or ["log.csv"], query.getlist("size"))
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder) / str(number) / title for number, (title, _) in enumerate(named)]
        await _received(request, Path(folder) / "body", list(zip(files, [size for _, size in named], strict=True)))
        try:
            work = _looked if query.get("look") else _taken
            answer = await site.work.run(lambda: work(site, name, files, mapping))
        finally:
            site.reading.pop(name, None)
    return _json(answer)


@router.get("", response_class=Response, responses={**given("application/json"), **READ})
async def report(name: str, site: Site) -> Response:
    """Return the report on the log kept with a session, null where none is: most flights have none, and that is no error."""
    return _json(await site.work.run(lambda: _report(site, name)))


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


def _report(site: PageContext, name: str) -> dict[str, Any] | None:
    review, place = opened(site, name), site.shelf.place_of(name)
    return site.onboard.report(review, place).as_dict() if site.onboard.has(place) else None


def _taken(site: PageContext, name: str, files: Sequence[Path], mapping: LogMapping | None) -> dict[str, Any]:
    def progress(text: str) -> None:
        site.reading[name] = text

    return site.onboard.take_files(opened(site, name), site.shelf.place_of(name), files, mapping, progress).as_dict()


def _looked(site: PageContext, name: str, files: Sequence[Path], mapping: LogMapping | None) -> dict[str, Any]:
    if is_card(files[0], opened(site, name).dictionary):
        return {"card": True}
    seen = look(files[0])
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


def _named(names: Sequence[str], sizes: Sequence[str]) -> list[tuple[str, int | None]]:
    """Return (file name without any folder, size in bytes) of each file; the size of the last may be left out."""
    if len(names) > FILES_AT_MOST:
        raise HTTPException(400, f"At most {FILES_AT_MOST} files of one flight are taken together.")
    told = [int(size) if re.fullmatch("[0-9]{1,10}", size) else None for size in sizes]
    if None in told or len(told) not in ((0, 1) if len(names) == 1 else (len(names),)):
        raise HTTPException(400, "Each of several files needs its size in bytes.")
    plain = [re.sub(r"[\0-\x1f/\\]", "", re.split(r"[/\\]", name)[-1])[:NAME_AT_MOST] for name in names]
    return [(name if name.strip(".") else "log", size) for name, size in zip(plain, told or [None], strict=True)]


async def _received(request: Request, body: Path, files: Sequence[tuple[Path, int | None]]) -> None:
    size = 0
    with body.open("wb") as out:
        async for piece in request.stream():
            size += len(piece)
            if size > UPLOAD_AT_MOST:
                raise HTTPException(413, f"The log is larger than {UPLOAD_AT_MOST >> 20} MB.")
            await asyncio.to_thread(out.write, piece)
    if any(told is not None for _, told in files) and sum(told or 0 for _, told in files) != size:
        raise HTTPException(400, "The files' sizes are not those of what came.")
    await asyncio.to_thread(_cut, body, files)


def _cut(body: Path, files: Sequence[tuple[Path, int | None]]) -> None:
    """Cut what came into its files; one alone is moved, whatever its size."""
    with body.open("rb") as source:
        for path, size in files:
            path.parent.mkdir()
            if len(files) == 1:
                body.rename(path)
                return
            left = size or 0
            with path.open("wb") as out:
                while left > 0 and (piece := source.read(min(left, PIECE))):
                    out.write(piece)
                    left -= len(piece)
