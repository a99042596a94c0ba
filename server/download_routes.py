"""What can be taken home of a session over HTTP: the report and the exports. They only read."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

from fastapi import FastAPI, HTTPException
from fastapi.responses import Response

from server.export import export_csv
from server.parquet import NoParquet, export_parquet
from server.report import report_html, report_name
from server.review import Review
from server.sidecar import NotesProblem
from server.site import Site
from server.tracks import NoTrack, gpx, kml, track_of

TABLES = {"csv": export_csv, "parquet": export_parquet}
TRACKS = {
    "kml": (kml, "application/xml"),
    "gpx": (gpx, "application/gpx+xml"),
}


def add_download_routes(app: FastAPI, site: Site, opened: Callable[[str], Review]) -> None:
    """Add the routes; `opened` gives a session by name or refuses with its answer.

    All are sent as files to be saved: the policy of the page would not let a report's own style work.
    """

    @app.get("/api/sessions/{name}/report")
    def report(name: str) -> Response:
        review = opened(name)
        noted: dict[str, object] = {}
        try:
            noted = site.shelf.notes(name)
        except NotesProblem as problem:
            noted = {"notes": str(problem)}
        return _file(report_html(review, noted).encode("utf-8", "replace"), "text/html; charset=utf-8", report_name(review))

    @app.get("/api/sessions/{name}/export/{kind}")
    def export(name: str, kind: str) -> Response:
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


def _packed(export: Callable[[Review, Path, Callable[[str], None]], list[Path]], review: Review) -> bytes:
    packed = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as out:
        for path in export(review, Path(folder), lambda text: None):
            out.write(path, path.name)
    return packed.getvalue()


def _file(body: bytes, media: str, name: str) -> Response:
    return Response(body, media_type=media, headers={"content-disposition": f'attachment; filename="{name}"'})
