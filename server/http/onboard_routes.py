"""The onboard log over HTTP: bring one in, look at it, take its columns. Translation only."""

from __future__ import annotations

import asyncio
import json
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import Response

from server.http.context import PageContext
from server.http.openapi import LOG_BODY, given, refusals
from server.http.security import UPLOAD_AT_MOST
from server.http.shelf_routes import keeper, refuse_recording, told
from server.json_text import to_json
from server.review.review import Review
from server.shelf.onboard_alignment import columns
from server.shelf.onboard_log import LogMapping, LogProblem, look, parse_mapping
from server.shelf.onboard_store import OnboardStore

MAP_AT_MOST = 12_000  # it comes in the address, and a whole head holds 64 KiB


def add_onboard_routes(app: FastAPI, site: PageContext, opened: Callable[[str], Review]) -> None:
    """Add the routes of the onboard log; `opened` gives a session by name or refuses with its answer.

    POST takes the log's file as the body, its name as `?file=`, a mapping as JSON in `?map=` (in the form of the TOML file;
    without it one is guessed) and answers with the report: alignment, or the reason of its refusal. `?look=1` only says
    which columns there are and what is guessed. The body's size is bounded by `UPLOAD_AT_MOST`.
    """
    store = OnboardStore()
    progress: dict[str, str] = {}

    read = refusals(404, 409, 503)

    @app.post(
        "/api/sessions/{name}/onboard",
        response_class=Response,
        responses={**given("application/json"), **refusals(401), **read},
        openapi_extra=LOG_BODY,
    )
    async def bring(name: str, request: Request) -> Response:
        await keeper(site, request)
        refuse_recording(site, name)
        place = told(lambda: site.shelf.place_of(name))
        mapping = _mapping(request.query_params.get("map"))
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "log"
            await _received(request, file)
            title = request.query_params.get("file", "log.csv")

            def work() -> dict[str, Any]:
                if request.query_params.get("look"):
                    return _looked(file)
                return store.take(opened(name), place, file, mapping, title, lambda text: progress.update({name: text}))

            try:
                answer = await site.work.run(lambda: _plainly(work))
            finally:
                progress.pop(name, None)
        return Response(to_json(answer), media_type="application/json")

    @app.get("/api/sessions/{name}/onboard", response_class=Response, responses={**given("application/json"), **read})
    async def report(name: str) -> Response:
        def work() -> bytes:
            place = told(lambda: site.shelf.place_of(name))
            return to_json(_plainly(lambda: store.report(opened(name), place)))

        return Response(await site.work.run(work), media_type="application/json")

    @app.get(
        "/api/sessions/{name}/onboard/columns",
        response_class=Response,
        responses={**given("application/octet-stream"), **read},
    )
    async def onboard_columns(name: str) -> Response:
        def work() -> bytes:
            place = told(lambda: site.shelf.place_of(name))
            log, found = _plainly(lambda: store.kept(place))
            return columns(opened(name), log, found)

        return Response(await site.work.run(work), media_type="application/octet-stream")

    @app.get("/api/sessions/{name}/onboard/progress", responses=refusals(404))
    def how_far(name: str) -> dict[str, str | None]:
        return {"text": progress.get(name)}

    @app.delete("/api/sessions/{name}/onboard", responses=refusals(401, 404, 409))
    async def drop(name: str, request: Request) -> dict[str, bool]:
        await keeper(site, request)
        place = told(lambda: site.shelf.place_of(name))
        await asyncio.to_thread(_plainly, lambda: store.drop(place))
        return {"ok": True}


def _plainly(work: Callable[[], Any]) -> Any:
    """Do something with a log; what it refuses becomes an answer with its sentence."""
    try:
        return told(work)
    except LogProblem as error:
        raise HTTPException(422, str(error)) from error


def _looked(file: Path) -> dict[str, Any]:
    seen = look(file)
    guess = seen.guess.as_dict() if seen.guess is not None else None
    return {"columns": seen.names, "numeric": [seen.names[i] for i in seen.numeric], "guess": guess}


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
    return _plainly(lambda: parse_mapping(value))


async def _received(request: Request, file: Path) -> None:
    size = 0
    with file.open("wb") as out:
        async for piece in request.stream():
            size += len(piece)
            if size > UPLOAD_AT_MOST:
                raise HTTPException(413, f"The log is larger than {UPLOAD_AT_MOST >> 20} MB.")
            await asyncio.to_thread(out.write, piece)
