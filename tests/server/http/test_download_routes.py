"""Report and exports over real connections: files to be saved, the same as the command line writes."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import gpxpy
import pytest

from server.flight.units import IMPERIAL
from server.review.report import report_html
from tests.server.flights import flown, recorded
from tests.server.http.page_server import PageServer, run
from tests.server.http.test_shelf_routes import KEY


@pytest.mark.parametrize("mode", ["live", "replay"])
def test_report_and_exports_are_files(tmp_path: Path, monkeypatch, mode: str) -> None:
    async def what(bench: PageServer) -> None:
        bench.http.timeout = 20
        recorded(bench.site.shelf._folder, flown("calm"), "mine")
        await bench.http.put("/api/sessions/mine/notes", json={"label": "Maiden"}, headers=KEY)
        get = bench.http.get
        report = await get("/api/sessions/mine/report")
        assert report.text == report_html(bench.site.shelf.open("mine"), {"label": "Maiden"})
        assert report.headers["content-disposition"] == 'attachment; filename="report-20250615-150640.html"'
        feet = await get("/api/sessions/mine/report", params={"units": "imperial"})
        assert feet.text == report_html(bench.site.shelf.open("mine"), {"label": "Maiden"}, IMPERIAL) != report.text
        assert (await get("/api/sessions/mine/report", params={"units": "cubits"})).status_code == 422
        track = await get("/api/sessions/mine/export/gpx")
        assert gpxpy.parse(track.text).tracks and track.headers["content-disposition"].endswith('.gpx"')
        assert b"LineString" in (await get("/api/sessions/mine/export/kml")).content
        for kind in ("csv", "parquet"):
            packed = zipfile.ZipFile(io.BytesIO((await get(f"/api/sessions/mine/export/{kind}")).content))
            assert {f"imu_a.{kind}", f"journal.{kind}"} <= set(packed.namelist()) and packed.testzip() is None

    run(what, tmp_path, monkeypatch, mode=mode)


def test_what_cannot_be_taken_is_said(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        folder = bench.site.shelf._folder
        recorded(folder, flown("calm"), "mine", site={})
        (folder / "mine.notes.json").write_text("{")
        for path, status, words in (
            ("mine/export/gpx", 409, "no latitude"),
            ("mine/export/doc", 404, "there are csv, parquet, kml, gpx"),
            ("none/report", 404, "no session of that name"),
            (f"{bench.station.name}/report", 409, "still being recorded"),
            ("live/report", 404, "no session of that name"),
        ):
            answer = await bench.http.get(f"/api/sessions/{path}")
            assert answer.status_code == status and words in answer.json()["sentence"], path
        assert "mine.notes.json is damaged" in (await bench.http.get("/api/sessions/mine/report")).text

    run(what, tmp_path, monkeypatch)
