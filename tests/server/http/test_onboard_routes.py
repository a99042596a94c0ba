"""The onboard log over real connections: brought in with a token, read by anybody, bounded in size."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest

import server.http.onboard_routes
from server.cli.cli import main
from tests.protocol.foreign.foreign_helpers import PLOVER
from tests.server.flights import recorded
from tests.server.http.page_server import PageServer, run
from tests.server.http.test_messages import parse_columns
from tests.server.http.test_shelf_routes import KEY
from tests.server.shelf.test_onboard_alignment import logged
from tests.server.shelf.test_onboard_card import chunks_of, session

PATH = "/api/sessions/mine/onboard"


@pytest.mark.parametrize("mode", ["live", "replay"])
def test_a_log_is_brought_in_and_read_back(tmp_path: Path, monkeypatch, mode: str) -> None:
    async def what(bench: PageServer) -> None:
        flight, text = logged("calm", 1, 31.7, 4e-5)
        recorded(bench.site.shelf._folder, flight, "mine")
        bench.http.timeout = 20
        assert len(text) > 1 << 20, "larger than any other request may be"
        assert (await bench.http.get(PATH)).json() is None
        seen = (await bench.http.post(PATH, params={"look": 1}, content=text, headers=KEY)).json()
        assert seen["guess"]["time"] == {"column": "time [ms]", "unit": "ms"} and "battery [V]" in seen["columns"]
        query = {"file": "card.csv", "map": json.dumps(seen["guess"])}
        told = (await bench.http.post(PATH, params=query, content=text, headers=KEY)).json()
        assert told["alignment"]["refused"] == "" and abs(told["alignment"]["offset_s"] - 31.7) < 0.01
        assert (await bench.http.get(PATH)).json() == told
        assert (await bench.http.get(PATH + "/progress")).json() == {"text": None}
        header, tables = parse_columns((await bench.http.get(PATH + "/columns")).content)
        assert tables["onboard"].shape == (2 + len(told["columns"]), told["rows"])
        assert (await bench.http.delete(PATH)).status_code == 401
        assert (await bench.http.delete(PATH, headers=KEY)).json() == {"ok": True}
        assert (await bench.http.get(PATH)).json() is None

    run(what, tmp_path, monkeypatch, mode=mode)


def test_several_files_of_one_flight_and_a_card_come_home_as_in_a_terminal(
    tmp_path: Path, monkeypatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Seen: the page took one text file only, whatever the command line took."""

    async def what(bench: PageServer) -> None:
        review = session(bench.site.shelf._folder, PLOVER)
        data = b"".join(chunk for _, chunk in chunks_of(PLOVER))
        path = "/api/sessions/flight/onboard"
        parts = [data[: len(data) // 2], data[len(data) // 2 :]]
        files = [tmp_path / "card-1.bin", tmp_path / "card-2.bin"]
        for file, part in zip(files, parts, strict=True):
            file.write_bytes(part)
        assert await asyncio.to_thread(main, ["onboard", "--dry-run", str(review.session.path), *map(str, files)]) == 0
        printed = capsys.readouterr().out
        bench.http.timeout = 20
        seen = await bench.http.post(path, params={"look": 1, "file": "card-1.bin"}, content=parts[0][:4000], headers=KEY)
        assert seen.json() == {"card": True}
        query = [("file", "card-1.bin"), ("size", len(parts[0])), ("file", "../card-2.bin"), ("size", len(parts[1]))]
        told = (await bench.http.post(path, params=query, content=data, headers=KEY)).json()
        assert told["alignment"]["refused"] == "" and f"{told['rows']} rows" in printed
        assert all(f"{one['role']}: {100 * one['share']:.1f} % not heard" in printed for one in told["lost"])
        assert (await bench.http.get(path)).json()["lost"] == told["lost"]

        # Two texts, each with its own columns; what is wrong with them is the terminal's sentence.
        texts = [b"t,pressure [Pa]\n", b"t,acc_z [g]\n"]
        texts = [head + b"".join(b"%.1f,%d\n" % (i / 10, 90000 + i % 7) for i in range(300)) for head in texts]
        query = [("file", "a.csv"), ("size", len(texts[0])), ("file", "b.csv"), ("size", len(texts[1]))]
        told = (await bench.http.post(path, params=query, content=b"".join(texts), headers=KEY)).json()
        assert {one["role"] for one in told["columns"]} == {"pressure", "accel.a.z"}
        answer = await bench.http.post(path, params={"file": "x.bin"}, content=bytes(range(256)) * 20, headers=KEY)
        assert answer.status_code == 422
        assert answer.json()["sentence"] == "x.bin holds no packet of Plover, and no line of column names."
        for wrong in (
            [("file", "a"), ("file", "b")],
            [("file", "a"), ("size", "1"), ("file", "b"), ("size", "x")],
            [("file", "a"), ("size", "1"), ("file", "b"), ("size", "5")],
            [("file", "a"), ("size", "-1"), ("file", "b"), ("size", "4")],
            [(key, str(value)) for i in range(33) for key, value in (("file", f"f{i}"), ("size", 0))],
        ):
            assert (await bench.http.post(path, params=wrong, content=b"abc", headers=KEY)).status_code == 400, wrong

    run(what, tmp_path, monkeypatch)


def test_what_is_not_taken(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        flight, _ = logged("calm", 1, 31.7, 4e-5)
        recorded(bench.site.shelf._folder, flight, "mine")
        post = bench.http.post
        assert (await post(PATH, content="time,alt\n0,1\n")).status_code == 401
        assert (await post(PATH, content="x", headers={**KEY, "origin": "http://elsewhere.example"})).status_code == 403
        for query, body, status, words in (
            ({}, "time,alt\n0,high\n", 422, "column"),
            ({"map": "{"}, "", 400, "no JSON"),
            ({"map": "[]"}, "", 400, "no JSON object"),
            ({"map": "{}"}, "", 422, "needs a table [time]"),
            ({}, "", 422, "no line of column names"),
        ):
            answer = await post(PATH, params=query, content=body, headers=KEY)
            assert (answer.status_code == status and words in answer.json()["sentence"]) or "refused" in answer.text, query
        flat = "time,alt\n" + "".join(f"{i / 10},5\n" for i in range(500))
        told = (await post(PATH, content=flat, headers=KEY)).json()
        assert "no moving signal" in told["alignment"]["refused"] and (await bench.http.get(PATH)).json() is None
        assert (await post("/api/sessions/none/onboard", content=flat, headers=KEY)).status_code == 404
        live = await post(f"/api/sessions/{bench.station.name}/onboard", content=flat, headers=KEY)
        assert live.status_code == 409
        monkeypatch.setattr(server.http.onboard_routes, "UPLOAD_AT_MOST", 1000)
        assert (await post(PATH, content=flat, headers=KEY)).status_code == 413
        too_large = await post("/api/sessions/mine/other", content=b" " * ((1 << 20) + 1), headers=KEY)
        assert too_large.status_code == 413

    run(what, tmp_path, monkeypatch)
