"""What can be taken home of a session over HTTP: the report, the exports, flights compared. They only read."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response
from starlette.datastructures import QueryParams

from server.flight.units import CHOICES, Units
from server.http.context import PageContext, Site
from server.http.openapi import COMPARE_QUERY, given, refusals
from server.http.opened import opened
from server.json_text import to_json
from server.review.compare import (
    SESSIONS_AT_MOST,
    compare,
    comparison_columns,
    comparison_dict,
    moments_to_choose,
)
from server.review.csv_export import export_csv
from server.review.parquet_export import export_parquet
from server.review.report import report_html, report_name
from server.review.review import Review, refuse_rehearsals
from server.review.track import track_of
from server.review.tracks import gpx, kml
from server.shelf.session_notes import NotesProblem

TABLES = {"csv": export_csv, "parquet": export_parquet}
TRACKS = {
    "kml": (kml, "application/xml"),
    "gpx": (gpx, "application/gpx+xml"),
}
READ = refusals(404, 409, 503)


router = APIRouter(prefix="/api")


@router.get("/sessions/{name}/report", response_class=Response, responses={**given("text/html"), **READ})
async def report(name: str, site: Site, units: Literal["metric", "imperial"] = "metric") -> Response:
    """Return a session's report as a file to be saved: the page's policy would not let the report's own style work.

    `units=imperial` tells heights and speeds in feet and miles per hour.
    """
    return await site.work.run(lambda: _report(site, name, opened(site, name), CHOICES[units]))


@router.get(
    "/compare", response_class=Response, responses={**given("application/json"), **READ}, openapi_extra=COMPARE_QUERY
)
async def compared(request: Request, site: Site) -> Response:
    """Return numbers and sheets of some flights side by side as JSON, with `form=columns` their columns.

    `sessions=a,b&at=lift_off` (or one `at` for each session); a name with a comma needs `sessions=` once for each.
    """
    return await site.work.run(lambda: _compared(site, request.query_params))


@router.get("/sessions/{name}/moments", response_class=Response, responses={**given("application/json"), **READ})
async def moments(name: str, site: Site) -> Response:
    """Return what a session can be aligned at."""
    found = await site.work.run(lambda: to_json(moments_to_choose(opened(site, name))))
    return Response(found, media_type="application/json")


@router.get("/sessions/{name}/export/{kind}", response_class=Response, responses={**given("*/*"), **READ})
async def export(name: str, kind: str, site: Site) -> Response:
    """Return a session's tables or track as a file to be saved."""
    return await site.work.run(lambda: _exported(site, name, kind))


def _compared(site: PageContext, asked: QueryParams) -> Response:
    names = asked.getlist("sessions")
    names = names[0].split(",") if len(names) == 1 else names
    if len(names) > SESSIONS_AT_MOST:  # before any is opened
        raise HTTPException(409, f"At most {SESSIONS_AT_MOST} sessions are compared.")
    moments = asked.getlist("at") or ["lift_off"]
    reviews = [opened(site, name) for name in names]
    if asked.get("rehearsals") != "true":
        refuse_rehearsals(reviews)
    found = compare(reviews, moments if len(moments) > 1 else moments[0])
    if asked.get("form") == "columns":
        return Response(comparison_columns(found), media_type="application/octet-stream")
    return Response(to_json(comparison_dict(found)), media_type="application/json")


def _exported(site: PageContext, name: str, kind: str) -> Response:
    if kind not in TABLES and kind not in TRACKS:
        raise HTTPException(404, f"There is no export of that kind; there are {', '.join([*TABLES, *TRACKS])}.")
    review = opened(site, name)
    stem = report_name(review).removeprefix("report-").removesuffix(".html")
    if kind in TRACKS:
        make, media = TRACKS[kind]
        return _file(make(track_of(review)), media, f"{stem}.{kind}")
    return _file(_packed(TABLES[kind], review), "application/zip", f"{stem}-{kind}.zip")


def _report(site: PageContext, name: str, review: Review, units: Units) -> Response:
    noted: dict[str, object] = {}
    try:
        noted = site.shelf.notes(name)
    except NotesProblem as problem:
        noted = {"notes": str(problem)}
    told = report_html(review, noted, units).encode("utf-8", "replace")
    return _file(told, "text/html; charset=utf-8", report_name(review))


def _packed(export: Callable[[Review, Path, Callable[[str], None]], list[Path]], review: Review) -> bytes:
    packed = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as out:
        for path in export(review, Path(folder), lambda text: None):
            out.write(path, path.name)
    return packed.getvalue()


def _file(body: bytes, media: str, name: str) -> Response:
    return Response(body, media_type=media, headers={"content-disposition": f'attachment; filename="{name}"'})
