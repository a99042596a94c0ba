"""Changing the shelf over real connections: only with a token, never by GET, never from another page."""

from __future__ import annotations

import asyncio
import json
from dataclasses import asdict
from pathlib import Path

import pytest

from server.rehearsal.track_file import write_track
from tests.server.flights import recorded
from tests.server.http.page_server import TOKEN, PageServer, run
from tests.server.rehearsal.test_track import track
from tests.server.shelf.test_shelf import short_flight

KEY = {"authorization": f"Bearer {TOKEN}"}
CHANGES = [
    ("PUT", "/api/sessions/mine/notes"),
    ("DELETE", "/api/sessions/mine"),
    ("POST", "/api/trash/0%20mine/restore"),
]


def shelved(bench: PageServer) -> Path:
    folder = bench.site.shelf._folder
    recorded(folder, short_flight(), "mine")
    return folder


def everything(folder: Path) -> dict[str, bytes]:
    names = [p for p in folder.rglob("*") if p.is_file() and "sqlite" not in p.name]
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in names}


@pytest.mark.parametrize("mode", ["live", "replay"])
def test_note_delete_restore(tmp_path: Path, monkeypatch, mode: str) -> None:
    async def what(bench: PageServer) -> None:
        shelved(bench)
        body = {"label": "Maiden <b>", "notes": "two\nlines", "videos": [{"name": "a.mp4", "lift_off_s": 2}]}
        answer = await bench.http.put("/api/sessions/mine/notes", json=body, headers=KEY)
        assert answer.status_code == 200 and answer.json() == body
        assert (await bench.http.get("/api/sessions/mine/notes")).json() == body
        listed = {item["name"]: item for item in (await bench.http.get("/api/sessions")).json()}
        assert listed["mine"]["label"] == "Maiden <b>"
        thrown = (await bench.http.delete("/api/sessions/mine", headers=KEY)).json()["trash"]
        assert [entry["name"] for entry in thrown] == ["mine"] and thrown == (await bench.http.get("/api/trash")).json()
        assert (await bench.http.get("/api/sessions/mine/summary")).status_code == 404
        entry = thrown[0]["entry"]
        assert (await bench.http.post(f"/api/trash/{entry}/restore", headers=KEY)).json() == {"trash": []}
        assert (await bench.http.get("/api/sessions/mine/notes")).json() == body
        assert (await bench.http.post(f"/api/trash/{entry}/restore", headers=KEY)).status_code == 404

    run(what, tmp_path, monkeypatch, mode=mode)


def test_what_is_kept_of_a_rehearsal_is_told_and_goes_to_the_trash_with_it(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        folder = shelved(bench)

        async def asked(name: str) -> tuple[int, str]:
            answer = await bench.http.get(f"/api/rehearsals/{name}")
            return answer.status_code, answer.json().get("sentence", "")

        none = 404, "No picture is kept of this rehearsal."
        assert await asked("mine") == await asked("other") == await asked("%00") == none
        (folder / "mine.rehearsal.json").write_text("{")
        assert await asked("mine") == (404, "The picture kept of this rehearsal cannot be read.")
        write_track(folder / "mine.pcapng", track())
        told = (await bench.http.get("/api/rehearsals/mine")).json()
        assert told == json.loads(json.dumps(asdict(track()))) and told["curves"]
        await bench.http.delete("/api/sessions/mine", headers=KEY)
        assert await asked("mine") == none and not (folder / "mine.rehearsal.json").exists()
        assert [file.name for file in folder.glob("trash/*/*.rehearsal.json")] == ["mine.rehearsal.json"]

    run(what, tmp_path, monkeypatch, mode="live")


@pytest.mark.parametrize("mode", ["live", "replay"])
def test_no_change_without_the_token_or_from_elsewhere(tmp_path: Path, monkeypatch, mode: str) -> None:
    async def what(bench: PageServer) -> None:
        folder = shelved(bench)
        before = everything(folder)
        monkeypatch.setattr(asyncio, "sleep", at_once)
        for method, path in CHANGES:
            for headers, status in (
                ({}, 401),
                ({"authorization": TOKEN}, 401),
                ({"authorization": "Bearer"}, 401),
                ({"authorization": "Bearer wrong"}, 403),
                ({"authorization": f"Basic {TOKEN}"}, 401),
                ({**KEY, "origin": "http://elsewhere.example"}, 403),
                ({**KEY, "origin": "null"}, 403),
                ({**KEY, "host": "elsewhere.example"}, 421),
            ):
                answer = await bench.http.request(method, path, headers=headers, json={"label": "x"})
                assert answer.status_code == status, (method, headers, answer.text)
            by_get = await bench.http.get(path, headers=KEY)
            assert by_get.status_code in (200, 404, 405), path
            assert (await bench.http.request("OPTIONS", path, headers=KEY)).status_code == 405
        assert everything(folder) == before

    run(what, tmp_path, monkeypatch, mode=mode)


real_sleep = asyncio.sleep


async def at_once(seconds: float) -> None:
    """Stand for the wait that a wrong token costs."""
    await real_sleep(min(seconds, 0.01))


def test_a_wrong_token_costs_time(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        waits: list[float] = []

        async def count(seconds: float) -> None:
            waits.append(seconds)
            await real_sleep(0)

        monkeypatch.setattr("server.http.shelf_routes.asyncio.sleep", count)
        for _ in range(3):
            await bench.http.delete("/api/sessions/mine", headers={"authorization": "Bearer wrong"})
        assert [w for w in waits if w >= 0.5] == pytest.approx([1.0, 2.0, 4.0], rel=0.05)

    run(what, tmp_path, monkeypatch, mode="replay")


def test_what_cannot_be_done_is_said(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        shelved(bench)
        put = bench.http.put
        for content, status in (
            (b"", 400), (b"[]", 400), (b'{"label": 3}', 409), (b'{"label":"\\ud800"}', 409), (b"[" * 50_000, 400),
        ):  # fmt: skip
            answer = await put("/api/sessions/mine/notes", content=content, headers=KEY)
            assert answer.status_code == status and answer.json()["sentence"].endswith("."), content[:20]

        async def endless():
            for _ in range(40):
                yield b" " * 65_536

        answer = await put("/api/sessions/mine/notes", content=endless(), headers=KEY)
        assert answer.status_code == 413, "a body that tells no length is bounded too"
        assert (await put("/api/sessions/none/notes", json={}, headers=KEY)).status_code == 404
        assert (await put("/api/sessions/..%2fmine/notes", json={}, headers=KEY)).status_code == 404
        live = await bench.http.delete(f"/api/sessions/{bench.station.name}", headers=KEY)
        assert live.status_code == 409 and "still being recorded" in live.json()["sentence"]

    run(what, tmp_path, monkeypatch)
