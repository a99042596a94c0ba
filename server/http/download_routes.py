"""What can be taken home of a session over HTTP: the report, the exports, flights compared. They only read."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import Response

from server.http.context import PageContext
from server.http.openapi import COMPARE_QUERY, given, refusals
from server.json_text import to_json
from server.review.compare import (
    SESSIONS_AT_MOST,
    CompareProblem,
    compare,
    comparison_columns,
    comparison_dict,
    moments_to_choose,
)
from server.review.csv_export import export_csv
from server.review.parquet_export import NoParquet, export_parquet
from server.review.report import report_html, report_name
from server.review.review import Review
from server.review.tracks import NoTrack, gpx, kml, track_of
from server.shelf.session_notes import NotesProblem

TABLES = {"csv": export_csv, "parquet": export_parquet}
TRACKS = {
    "kml": (kml, "application/xml"),
    "gpx": (gpx, "application/gpx+xml"),
}


def add_download_routes(app: FastAPI, site: PageContext, opened: Callable[[str], Review]) -> None:
    """Add the routes; `opened` gives a session by name or refuses with its answer.

    `/api/compare?sessions=a,b&at=lift_off` (or one `at` for each session) gives numbers and sheets side by side as
    JSON, with `form=columns` the columns; a name with a comma needs `sessions=` once for each. Report and exports are sent
    as files to be saved: the page's policy would not let a report's own style work.
    """

    read = refusals(404, 409, 503)

    @app.get("/api/sessions/{name}/report", response_class=Response, responses={**given("text/html"), **read})
    async def report(name: str) -> Response:
        return await site.work.run(lambda: _report(site, name, opened(name)))

    @app.get(
        "/api/compare", responses={**given("application/json"), **read}, response_class=Response, openapi_extra=COMPARE_QUERY
    )
    async def compared(request: Request) -> Response:
        return await site.work.run(lambda: compared_now(request))

    def compared_now(request: Request) -> Response:
        asked = request.query_params
        names = asked.getlist("sessions")
        names = names[0].split(",") if len(names) == 1 else names
        if len(names) > SESSIONS_AT_MOST:  # before any is opened
            raise HTTPException(409, f"At most {SESSIONS_AT_MOST} sessions are compared.")
        try:
            moments = asked.getlist("at") or ["lift_off"]
            found = compare([opened(name) for name in names], moments if len(moments) > 1 else moments[0])
        except CompareProblem as problem:
            raise HTTPException(409, str(problem)) from problem
        if asked.get("form") == "columns":
            return Response(comparison_columns(found), media_type="application/octet-stream")
        return Response(to_json(comparison_dict(found)), media_type="application/json")

    @app.get("/api/sessions/{name}/moments", response_class=Response, responses={**given("application/json"), **read})
    async def moments(name: str) -> Response:
        found = await site.work.run(lambda: to_json(moments_to_choose(opened(name))))
        return Response(found, media_type="application/json")

    @app.get("/api/sessions/{name}/export/{kind}", response_class=Response, responses={**given("*/*"), **read})
    async def export(name: str, kind: str) -> Response:
        return await site.work.run(lambda: exported(name, kind))

    def exported(name: str, kind: str) -> Response:
        if kind not in TABLES and kind not in TRACKS:
            raise HTTPException(404, f"There is no export of that kind; there are {', '.join([*TABLES, *TRACKS])}.")
        review = opened(name)
        stem = report_name(review).removeprefix("report-").removesuffix(".html")
        try:
            if kind in TRACKS:
                make, media = TRACKS[kind]
                return _file(make(track_of(review)), media, f"{stem}.{kind}")
            return _file(_packed(TABLES[kind], review), "application/zip", f"{stem}-{kind}.zip")
        except (NoTrack, NoParquet) as problem:
            raise HTTPException(409, str(problem)) from problem


def _report(site: PageContext, name: str, review: Review) -> Response:
    noted: dict[str, object] = {}
    try:
        noted = site.shelf.notes(name)
    except NotesProblem as problem:
        noted = {"notes": str(problem)}
    return _file(report_html(review, noted).encode("utf-8", "replace"), "text/html; charset=utf-8", report_name(review))


def _packed(export: Callable[[Review, Path, Callable[[str], None]], list[Path]], review: Review) -> bytes:
    packed = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as out:
        for path in export(review, Path(folder), lambda text: None):
            out.write(path, path.name)
    return packed.getvalue()


def _file(body: bytes, media: str, name: str) -> Response:
    return Response(body, media_type=media, headers={"content-disposition": f'attachment; filename="{name}"'})
