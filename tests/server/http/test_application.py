"""Routes and sockets over real connections: a viewer can do nothing, an operator exactly what the desk allows."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import os
import random
import socket
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote

import numpy as np
import pytest
from websockets.exceptions import ConnectionClosed
from websockets.frames import Frame, Opcode

import server.http.operator_socket
import server.http.security
from server.http.operator_socket import OPERATORS_AT_MOST
from server.recording.records import Kind
from tests.browser.station import BUSY
from tests.server.flights import flown, recorded
from tests.server.http.page_server import TOKEN, PageServer, ask, hear, run, say, sign_in
from tests.server.http.test_messages import parse_columns, strict
from tests.server.uplink.queue_oracles import decode
from tests.server.uplink.queue_world import World

ARM = {"type": "arm", "command": "board_release", "args": {}}
CONFIRM = {"type": "confirm", "command": "board_release", "args": {}}

ALONE = {"others": [], "two_person": False, "asks_leave": ""}


def commands(bench: PageServer) -> list[str]:
    """Names of the commands that reached the port."""
    return [decode(World(), frame).command for frame in bench.sent]


async def until(wanted: Callable[[], object], within_s: float = 5.0) -> None:
    async with asyncio.timeout(within_s * BUSY):
        while not wanted():
            await asyncio.sleep(0.01)


# ---------------------------------------------------------------- pages and data


def test_page_and_charts_are_served_and_nothing_beside_them(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        index = await bench.http.get("/")
        assert index.status_code == 200 and "text/html" in index.headers["content-type"]
        for path, kind in (
            ("main.js", "javascript"),
            ("panels/watch/tilt_scope.js", "javascript"),
            ("styles/base.css", "css"),
        ):
            answer = await bench.http.get(f"/web/{path}")
            assert (answer.status_code, kind in answer.headers["content-type"]) == (200, True)
        assert (await bench.http.get("/vendor/uplot.min.css")).status_code == 200
        (bench.site.shelf._folder / "secret.txt").write_text("secret")
        climbs = [
            "../pyproject.toml", "..%2fpyproject.toml", "%2e%2e/pyproject.toml", "..%5cpyproject.toml",
            "....//pyproject.toml", "%2e%2e%2fserver%2fapp.py",
            "/etc/passwd", "%2fetc%2fpasswd", "..%c0%af..%c0%afetc/passwd",
            "a/../../pyproject.toml", "panels/watch/../../../pyproject.toml", "panels/..%2f..%2fpyproject.toml",
            "%00", "main.js%00.png", "panels", "panels/watch/",
        ]  # fmt: skip
        for mount in ("/web/", "/vendor/"):
            for climb in climbs:
                answer = await raw_get(bench, mount + climb)
                assert answer.split()[1] in {"404", "400", "405"}, (mount + climb, answer[:80])
                assert "[project]" not in answer and "root:" not in answer

    run(what, tmp_path, monkeypatch)


async def raw_get(bench: PageServer, path: str) -> str:
    """GET a path as it is written; a client library would tidy it up."""
    reader, writer = await asyncio.open_connection("127.0.0.1", bench.port)
    writer.write(f"GET {path} HTTP/1.1\r\nHost: {bench.host}\r\nConnection: close\r\n\r\n".encode("latin-1"))
    answer = await asyncio.wait_for(reader.read(), 5)
    writer.close()
    return answer.decode("latin-1")


def test_no_path_leads_out_of_the_shelf(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        outside = tmp_path / "outside"
        outside.mkdir()
        recorded(outside, flown())
        whole = quote(str(outside / "flight"), safe="")
        for name in ("..%2foutside%2fflight", "../outside/flight", "..%5coutside%5cflight", whole):
            for what_of_it in ("dictionary", "summary", "columns"):
                answer = await raw_get(bench, f"/api/sessions/{name}/{what_of_it}")
                assert answer.split()[1] == "404", answer[:200]
                assert "sentence" in answer

    run(what, tmp_path, monkeypatch)


UNKNOWN = ["nothing", "<script>alert(1)</script>", "a" * 5000, "%00", "ü", "live ", "..", "~2", "shelf-index"]


def test_unknown_session_is_told_in_a_sentence(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        for name in UNKNOWN:
            for what_of_it in ("dictionary", "summary", "columns"):
                answer = await bench.http.get(f"/api/sessions/{quote(name, safe='')}/{what_of_it}")
                assert answer.status_code == 404
                assert answer.headers["content-type"] == "application/json"
                assert answer.json()["sentence"] and "<script>" not in answer.text

    run(what, tmp_path, monkeypatch)


def test_a_recorded_session_over_http_agrees_with_the_file(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        folder = bench.site.shelf._folder
        recorded(folder, flown("bad-number"), "flight", vehicle={"name": "<b>Sandpiper</b>"})
        listed = {item["name"]: item for item in (await bench.http.get("/api/sessions")).json()}
        assert listed["flight"]["vehicle"] == "<b>Sandpiper</b>" and listed["flight"]["openable"]
        assert listed[bench.station.name]["recording"] and not listed[bench.station.name]["openable"]
        header, tables = parse_columns((await bench.http.get("/api/sessions/flight/columns")).content)
        review = bench.site.shelf.open("flight")
        for name, rows in review.output.rows.items():
            described = next(t for t in header["tables"] if t["name"] == name)["columns"]
            for place, column in enumerate(described):
                values = {"t": rows.t, "rx": rows.rx_s}.get(column) if place < 2 else rows.columns[column]
                assert np.array_equal(tables[name][place], values, equal_nan=True), (name, column)
        assert np.isnan(tables["navigation"]).any()
        assert len(header["journal"]) == len(review.output.entries)
        summary = strict((await bench.http.get("/api/sessions/flight/summary")).content)
        assert summary["apogee"]["height_m"] == pytest.approx(flown("bad-number").truth["apogee_m"], rel=0.01)
        shape = strict((await bench.http.get("/api/sessions/flight/dictionary")).content)
        assert shape["sheet"]["name"] == "<b>Sandpiper</b>"

    run(what, tmp_path, monkeypatch)


def test_the_session_being_recorded_is_watched_live_not_opened(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        for what_of_it in ("dictionary", "summary", "columns"):
            answer = await bench.http.get(f"/api/sessions/{bench.station.name}/{what_of_it}")
            assert answer.status_code == 409 and "still being recorded" in answer.json()["sentence"]
        assert (await bench.http.get("/api/sessions/live/summary")).status_code == 409
        assert (await bench.http.get("/api/sessions/live/dictionary")).json()["commands"]

    run(what, tmp_path, monkeypatch)


def test_live_columns_are_the_store_to_the_bit(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        stream = flown("bad-number").stream
        bench.station._on_chunk(bench.station.clock.monotonic_ns(), stream)
        bench.station.process()
        header, tables = parse_columns((await bench.http.get("/api/sessions/live/columns")).content)
        for name, table in bench.station.store.tables.items():
            assert np.array_equal(tables[name].T, table.matrix(), equal_nan=True), name
            assert header["texts"].get(name, {}) == table.texts()
        assert header["journal"][0]["i"] == 0 and len(tables["navigation"].T) > 500

    run(what, tmp_path, monkeypatch)


def test_nothing_is_live_in_a_replay(tmp_path: Path, monkeypatch) -> None:
    """I5, fault 46: there is no station, no queue and no port in the process."""

    async def what(bench: PageServer) -> None:
        assert (await bench.http.get("/api/about")).json()["mode"] == "replay"
        assert (await bench.http.get("/api/sessions")).json() == []
        for what_of_it in ("dictionary", "columns"):
            answer = await bench.http.get(f"/api/sessions/live/{what_of_it}")
            assert answer.status_code == 404 and "started to replay" in answer.json()["sentence"]
        for path in (bench.view, bench.desk):
            with pytest.raises(Exception, match="403"):
                await path()

    run(what, tmp_path, monkeypatch, mode="replay")


def test_no_request_but_get_and_no_get_changes_anything(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        live = ["/api/sessions/live/dictionary", "/api/sessions/live/columns"]
        paths = ["/", "/api/about", "/api/sessions", "/web/main.js", *live]
        before = (bench.station.store.journal_next, len(bench.sent), bench.station.authority.holder)
        for path in paths:
            assert (await bench.http.get(path, params={"type": "safe_all", "command": "board_release"})).status_code == 200
            for method in ("POST", "PUT", "DELETE", "PATCH"):
                answer = await bench.http.request(method, path, json=ARM)
                assert answer.status_code == 405 and "GET" in answer.headers["allow"], (method, path)
        assert (bench.station.store.journal_next, len(bench.sent), bench.station.authority.holder) == before
        assert bench.station.commands() == []

    run(what, tmp_path, monkeypatch)


# ---------------------------------------------------------------- viewers


def test_a_viewer_gets_hello_then_every_row(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        bench.hear()
        async with bench.view() as viewer:
            first = await hear(viewer, "hello")
            assert first["cursor"]["control"] == 1 and first["session"] == bench.station.name
            await until(lambda: len(bench.site.hub) == 1)
            rows = []
            for _ in range(20):
                bench.hear()
                rows += (await hear(viewer, "update"))["rows"]["control"]
            assert len(rows) == 20 and [row[1] for row in rows] == sorted(row[1] for row in rows)
            beat = await hear(viewer, "beat")
            assert beat["recording"]["state"] == "recording" and beat["viewers"] == 1

    run(what, tmp_path, monkeypatch)


def test_whatever_a_viewer_says_nothing_happens(tmp_path: Path, monkeypatch) -> None:
    """Invariant I14: behind this socket there is no parser."""

    async def what(bench: PageServer) -> None:
        rng = random.Random(4)
        async with bench.view() as viewer:
            await hear(viewer, "hello")
            for kind in ("sign_in", "take", "arm", "confirm", "send", "safe_all", "mark", "release"):
                await say(viewer, type=kind, token=TOKEN, command="board_release", args={}, id="c1", text="x")
            for _ in range(200):
                await viewer.send(os.urandom(rng.randrange(200)) if rng.random() < 0.5 else "{" * rng.randrange(200))
            bench.hear()
            assert (await hear(viewer, "update"))["rows"]
            assert bench.sent == [] and bench.station.authority.holder is None and bench.station.commands() == []
            assert not [e for e in bench.station.store.journal if e["topic"] in ("act", "mark", "command", "authority")]

    run(what, tmp_path, monkeypatch)


def test_a_viewer_that_stops_reading_delays_nobody_and_is_freed(tmp_path: Path, monkeypatch) -> None:
    """Faults 33 and 34: one raw socket that never reads, four viewers that do."""

    async def what(bench: PageServer) -> None:
        stuck = socket.socket()
        stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8192)
        stuck.setblocking(False)
        loop = asyncio.get_running_loop()
        await loop.sock_connect(stuck, ("127.0.0.1", bench.port))
        lines = [
            "GET /ws/view HTTP/1.1", f"Host: {bench.host}", f"Origin: http://{bench.host}", "Upgrade: websocket",
            "Connection: Upgrade", "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==", "Sec-WebSocket-Version: 13", "", "",
        ]  # fmt: skip
        await loop.sock_sendall(stuck, "\r\n".join(lines).encode())
        await until(lambda: len(bench.site.hub) == 1)
        async with contextlib.AsyncExitStack() as stack:
            viewers = [await stack.enter_async_context(bench.view()) for _ in range(4)]
            await until(lambda: len(bench.site.hub) == 5)
            delays = []

            async def watch(viewer) -> int:
                rows = 0
                while rows < 3000:
                    news = await hear(viewer, "update")
                    delays.append(bench.station.now_s() - news["rx_now"])
                    rows += len(news["rows"].get("navigation", []))
                return rows

            watching = [asyncio.create_task(watch(viewer)) for viewer in viewers]
            stream, at = flown("calm", ignite_after_s=100.0).stream, 0
            while not all(task.done() for task in watching) and at < len(stream):
                bench.station._on_chunk(bench.station.clock.monotonic_ns(), stream[at : at + 4000])
                bench.station.process()
                at += 4000
                await asyncio.sleep(0.005)
            assert all([await task >= 3000 for task in watching])
            assert float(np.quantile(delays, 0.99)) < 0.5
        begun = time.monotonic()
        while len(bench.site.hub) > 0 and time.monotonic() - begun < 15:  # TCP_USER_TIMEOUT is 5 s
            bench.hear()
            await asyncio.sleep(0.05)
        assert len(bench.site.hub) == 0, "the viewer that stopped reading still holds its place"
        stuck.close()

    run(what, tmp_path, monkeypatch)


def test_after_a_sleep_a_viewer_gets_the_present_not_the_past(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        async with bench.view(max_queue=1) as viewer:
            await hear(viewer, "hello")
            await until(lambda: len(bench.site.hub) == 1)
            stream = flown("calm", ignite_after_s=100.0).stream
            for at in range(0, len(stream), 8000):
                bench.station._on_chunk(bench.station.clock.monotonic_ns(), stream[at : at + 8000])
                bench.station.process()
                await asyncio.sleep(0)
            total = bench.station.store.tables["navigation"].next_index
            received, messages = 0, 0
            async with asyncio.timeout(10):
                while received < total:
                    news = await hear(viewer, "update")
                    messages += 1
                    if "navigation" in news["from"]:
                        received = news["from"]["navigation"] + len(news["rows"]["navigation"])
            assert messages < 60, "the backlog was replayed"

    run(what, tmp_path, monkeypatch)


# ---------------------------------------------------------------- frames that are wrong


async def closed_with(socket) -> int:
    async with asyncio.timeout(5):
        with pytest.raises(ConnectionClosed) as closed:
            while True:
                await socket.recv()
    assert closed.value.rcvd is not None
    return closed.value.rcvd.code


def test_wrong_frames_close_with_the_right_code_and_hurt_nobody(tmp_path: Path, monkeypatch) -> None:
    """Fault 37; codes of RFC 6455 7.4.1."""

    async def what(bench: PageServer) -> None:
        async with bench.view() as other:
            await hear(other, "hello")
            for path in (bench.view, bench.desk):
                async with path() as socket:
                    await socket.send("x" * (64 * 1024 + 1))
                    assert await closed_with(socket) == 1009
                async with path() as socket:
                    await socket.send(["x" * 40_000, "x" * 40_000])  # two fragments, too long together
                    assert await closed_with(socket) == 1009
                async with path() as socket:
                    wire = Frame(Opcode.TEXT, b"\xff\xfe").serialize(mask=True)
                    socket.transport.write(wire)
                    assert await closed_with(socket) == 1007
                async with path() as socket:
                    socket.transport.write(Frame(Opcode.TEXT, b"hello").serialize(mask=False))
                    assert await closed_with(socket) == 1002
            await until(lambda: len(bench.site.hub) == 1)
            bench.hear()
            assert (await hear(other, "update"))["rows"]

    run(what, tmp_path, monkeypatch)


# ---------------------------------------------------------------- signing in


WRONG_FIRST = [
    {"type": "sign_in", "token": "wrong"},
    {"type": "sign_in", "token": TOKEN + " "},
    {"type": "sign_in", "token": None},
    {"type": "sign_in"},
    {"type": "take", "token": TOKEN},
    {"type": "safe_all"},
    ["sign_in"],
    None,
    "not json {",
    '{"type":"sign_in","token":' + "[" * 50_000,
    b"bytes",
]


def test_without_the_token_nothing_but_a_late_refusal(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("server.http.security.FIRST_DELAY_S", 0.1)  # doubles with every wrong token of a source
    monkeypatch.setattr("server.http.security.LONGEST_DELAY_S", 0.8)

    async def what(bench: PageServer) -> None:
        async def attempt(first: object) -> None:
            async with bench.desk() as desk:
                begun = time.monotonic()
                await desk.send(first if isinstance(first, str | bytes) else json.dumps(first))
                await desk.send(json.dumps({"type": "safe_all"}))
                assert await closed_with(desk) == 1008
                assert isinstance(first, bytes) or time.monotonic() - begun >= server.http.security.FIRST_DELAY_S

        await asyncio.gather(*[attempt(first) for first in WRONG_FIRST])
        assert bench.sent == [] and bench.station.authority.holder is None

    run(what, tmp_path, monkeypatch)


def test_somebody_who_says_nothing_is_closed_in_time(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("server.http.operator_socket.SIGN_IN_WITHIN_S", 0.2)

    async def what(bench: PageServer) -> None:
        async with bench.desk() as desk:
            assert await closed_with(desk) == 1008

    run(what, tmp_path, monkeypatch)


def test_names_of_operators_are_made_fit_and_different(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        async with contextlib.AsyncExitStack() as stack:
            names = []
            for wanted in ("Ada", "Ada", "<i>\n\x07Eve</i>" + "x" * 90, 5, None, "", "\u202e\u0000", {"a": 1}):
                desk = await stack.enter_async_context(bench.desk())
                names.append((await sign_in(desk, wanted))["operator"])
            assert names[:2] == ["Ada 1", "Ada 2"] and len(set(names)) == OPERATORS_AT_MOST == len(names)
            assert all(name.isprintable() and 3 <= len(name) <= 26 for name in names)
            one_more = await stack.enter_async_context(bench.desk())
            await say(one_more, type="sign_in", token=TOKEN)
            assert await closed_with(one_more) == 1013

    run(what, tmp_path, monkeypatch)


# ---------------------------------------------------------------- the desk


def test_arm_and_confirm_over_the_socket_send_one_frame(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        telemetry = asyncio.create_task(bench.hear_steadily())
        async with bench.desk() as desk:
            assert (await sign_in(desk))["authority"] == {**ALONE, "holder": "Ada 1", "yours": True}
            armed = await ask(desk, **ARM)
            assert armed["ok"] and armed["earliest_confirm_rx"] < armed["expires_rx"]
            early = await ask(desk, **CONFIRM, id=armed["id"])
            assert not early["ok"] and bench.sent == []
            await asyncio.sleep(0.4)
            if early["sentence"].startswith("nothing is armed"):
                armed = await ask(desk, **ARM)
                await asyncio.sleep(0.4)
            assert (await ask(desk, **CONFIRM, id=armed["id"]))["ok"]
            await until(lambda: bench.sent)
            assert commands(bench)[0] == "board_release"
            assert not (await ask(desk, **CONFIRM, id=armed["id"]))["ok"]
            kinds = [record for record in bench.station.store.journal if record["topic"] == "command"]
            assert kinds and kinds[-1]["body"]["command"] == "board_release"
        telemetry.cancel()

    run(what, tmp_path, monkeypatch)


def test_browser_killed_while_armed_disarms(tmp_path: Path, monkeypatch) -> None:
    """Fault 35."""

    async def what(bench: PageServer) -> None:
        bench.hear()
        async with bench.desk() as desk:
            await sign_in(desk)
            armed = await ask(desk, **ARM)
            assert armed["ok"]
            desk.transport.abort()
        await until(lambda: bench.station.authority.holder is None, 0.5)  # at once, not when its silence is noticed
        bench.hear()
        async with bench.desk() as desk:
            await sign_in(desk)
            await asyncio.sleep(0.35)
            bench.hear()
            assert not (await ask(desk, **CONFIRM, id=armed["id"]))["ok"]
        assert bench.sent == []

    run(what, tmp_path, monkeypatch)


def test_a_page_that_says_it_is_there_keeps_authority_and_a_silent_one_does_not(tmp_path: Path, monkeypatch) -> None:
    """With a twelfth of the real patience; a hidden tab that no longer runs must not hold the command."""
    monkeypatch.setattr("server.uplink.authority.SILENT_AT_MOST_S", 0.4)

    async def what(bench: PageServer) -> None:
        async with bench.desk() as desk:
            await sign_in(desk)
            for _ in range(10):
                await say(desk, type="alive")
                await asyncio.sleep(0.1)
                assert bench.station.authority.holder == "Ada 1"
            while (told := await hear(desk, "authority"))["yours"]:
                continue  # the word of its own sign-in
            assert told == {"type": "authority", **ALONE, "holder": None, "yours": False}

    run(what, tmp_path, monkeypatch)


def test_two_operators_one_authority(tmp_path: Path, monkeypatch) -> None:
    """Fault 36: taking over is an act, disarms, and everybody is told."""

    async def what(bench: PageServer) -> None:
        bench.hear()
        async with bench.desk() as ada, bench.desk() as ben:
            await sign_in(ada, "Ada")
            assert (await sign_in(ben, "Ben"))["authority"] == {
                **ALONE,
                "holder": "Ada 1",
                "yours": False,
                "others": ["Ada 1"],
            }
            assert not (await ask(ben, **ARM))["ok"]
            armed = await ask(ada, **ARM)
            assert (await ask(ben, type="take"))["ok"]
            while (told := await hear(ada, "authority"))["yours"] or told["holder"] != "Ben 1":
                continue
            assert told == {"type": "authority", **ALONE, "holder": "Ben 1", "yours": False, "others": ["Ben 1"]}
            await asyncio.sleep(0.35)
            bench.hear()
            assert not (await ask(ada, **CONFIRM, id=armed["id"]))["ok"]
            assert not (await ask(ben, **CONFIRM, id=armed["id"]))["ok"]
            assert bench.sent == []
            assert (await ask(ada, type="safe_all"))["ok"]
            await until(lambda: bench.sent)
            assert commands(bench)[0] == "safe_all"

    run(what, tmp_path, monkeypatch)


def test_marks_checks_and_what_is_not_understood(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        bench.hear()
        async with bench.desk() as desk:
            await sign_in(desk)
            assert (await ask(desk, type="mark", text="<b>wind</b> 4 m/s"))["ok"]
            bench.station.process()
            marks = [e for e in bench.station.store.journal if e["topic"] == "mark"]
            assert marks[0]["text"] == "<b>wind</b> 4 m/s" and marks[0]["body"] == {"operator": "Ada 1"}
            check = await ask(desk, type="check", command="board_release", args={})
            assert check["ok"] and check["ready"] and all(lock["met"] for lock in check["interlocks"])
            arm = "channel_arm"
            for odd in ({"command": "none"}, {"command": arm, "args": {}}, {"command": arm, "args": [1]}, {}):
                answer = await ask(desk, type="check", **odd)
                assert not answer["ok"] and not answer["ready"] and answer["sentence"]
            for odd in ("nonsense", "view", "", None, 5, ["arm"]):
                await say(desk, type=odd, n=3)
                assert (await hear(desk, "reply"))["sentence"] == "this request is not understood"
        assert bench.sent == []

    run(what, tmp_path, monkeypatch)


ODD = ["NaN", "Infinity", "-1e999", "[1]", '"\\ud800"', "true", "1e400", "[" * 300 + "]" * 300, '{"a":NaN}', "9" * 4000]


def test_odd_json_is_answered_and_the_desk_stays_open(tmp_path: Path, monkeypatch) -> None:
    """Fault 38: every place of every request with every odd value; the socket must live and nothing leave."""

    async def what(bench: PageServer) -> None:
        monkeypatch.setattr("server.http.operator_socket.REQUESTS_PER_S", 10_000)
        bench.hear()
        async with bench.desk() as desk:
            await sign_in(desk)
            for kind in ("arm", "confirm", "send", "cancel", "check", "mark"):
                for odd in ODD:
                    for place in ("command", "args", "id", "text", "n"):
                        fields = {"command": '"channel_arm"', "args": '{"channel":1}', "id": '"x1"', "text": '"t"', "n": "7"}
                        fields[place] = odd
                        body = ",".join(f'"{name}":{value}' for name, value in fields.items())
                        await desk.send(f'{{"type":"{kind}",{body}}}')
                        reply = await hear(desk, "reply")
                        assert "ok" in reply
                        if kind != "mark" and place in ("command", "args"):
                            assert not reply["ok"] or kind == "arm", (kind, place, odd, reply)
            await desk.send("{" * 60_000)
            assert not (await hear(desk, "reply"))["ok"]
            assert (await ask(desk, type="mark", text="still here"))["ok"]
        assert bench.sent == []
        bench.station.process()
        json.dumps(bench.station.store.journal, allow_nan=False)

    run(what, tmp_path, monkeypatch)


def test_bytes_to_the_desk_close_it(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        async with bench.desk() as desk:
            await sign_in(desk)
            await desk.send(b"\x00\x01")
            assert await closed_with(desk) == 1003
        await until(lambda: bench.station.authority.holder is None)

    run(what, tmp_path, monkeypatch)


def test_a_page_that_asks_too_fast_is_slowed_down_and_others_are_not(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("server.http.operator_socket.REQUESTS_PER_S", 5)

    async def what(bench: PageServer) -> None:
        async with bench.desk() as fast, bench.desk() as other:
            await sign_in(fast, "Fast")
            await sign_in(other, "Other")
            begun = time.monotonic()
            for n in range(11):
                await say(fast, type="mark", n=n, text="m")
            assert (await ask(other, type="mark", text="x"))["ok"]
            assert time.monotonic() - begun < 0.5
            for _ in range(11):
                await hear(fast, "reply")
            assert 1.8 < time.monotonic() - begun < 4.0

    run(what, tmp_path, monkeypatch)


@pytest.mark.parametrize("act", [{"type": "safe_all"}, {"type": "send", "command": "safe_all", "args": {}}])
def test_safe_all_waits_behind_nothing_its_own_page_asked(tmp_path: Path, monkeypatch, act: dict[str, object]) -> None:
    """I12: a key held down asks thirty times a second; what waited when Safe all came is dropped, and told so."""
    monkeypatch.setattr("server.http.operator_socket.REQUESTS_PER_S", 5)

    async def what(bench: PageServer) -> None:
        bench.hear()
        async with bench.desk() as desk:
            await sign_in(desk)
            for n in range(60):  # twelve seconds of it
                await say(desk, type="mark", n=n, text="m")
            await say(desk, type="send", n=60, command="camera_power", args={"camera": 1, "on": 1})
            begun = time.monotonic()
            await say(desk, **act, n=61)
            replies = [await hear(desk, "reply") for _ in range(62)]
            assert next(reply for reply in replies if reply["n"] == 61)["ok"] and time.monotonic() - begun < 3.0
            numbers = [reply["n"] for reply in replies]
            assert sorted(numbers) == list(range(62)), "each is answered, once"
            dropped = [reply for reply in replies if not reply["ok"]]
            assert {reply["sentence"] for reply in dropped} == {"dropped by safe all; ask again"}
            assert 60 in [reply["n"] for reply in dropped]
            assert len(set(bench.sent)) == 1
            assert (await ask(desk, type="mark", text="the desk goes on"))["ok"]

    run(what, tmp_path, monkeypatch)


def test_a_page_that_asks_without_end_is_refused_and_not_kept(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("server.http.operator_socket.REQUESTS_PER_S", 5)
    monkeypatch.setattr("server.http.operator_socket.WAITING_AT_MOST", 8)

    async def what(bench: PageServer) -> None:
        async with bench.desk() as desk:
            await sign_in(desk)
            for n in range(100):
                await say(desk, type="mark", n=n, text="m")
            replies = [await hear(desk, "reply") for _ in range(100)]
            refused = [reply for reply in replies if not reply["ok"]]
            assert len(refused) > 80 and {reply["sentence"] for reply in refused} == {"asked too fast; wait a moment"}
            assert sorted(reply["n"] for reply in replies) == list(range(100))

    run(what, tmp_path, monkeypatch)


def test_numbers_that_are_none_reach_a_viewer_as_words(tmp_path: Path, monkeypatch) -> None:
    """Fault 27: one bad frame must not silence the page."""

    async def what(bench: PageServer) -> None:
        async with bench.view() as viewer:
            await hear(viewer, "hello")
            await until(lambda: len(bench.site.hub) == 1)
            plain = {c.name: 0.0 for c in bench.station.dictionary.packets["navigation"].channels}
            values = {**plain, "east": math.nan, "q_w": math.inf, "rate_x": -math.inf}
            bench.hear([bench.vehicle.link.frame("navigation", 10_000, values)])
            async with asyncio.timeout(5):
                while True:
                    news = strict(await viewer.recv())
                    if news["type"] == "update" and "navigation" in news["rows"]:
                        break
            (row,) = news["rows"]["navigation"]
            assert {"nan", "inf", "-inf"} <= set(row)
            assert any(e["topic"] == "health" for e in news["journal"])

    run(what, tmp_path, monkeypatch)


def test_acts_are_in_the_recording(tmp_path: Path, monkeypatch) -> None:
    from server.recording.session_file import open_session

    async def what(bench: PageServer) -> None:
        bench.hear()
        async with bench.desk() as desk:
            await sign_in(desk)
            await ask(desk, **ARM)
            await ask(desk, type="mark", text="here")

    run(what, tmp_path, monkeypatch)
    (path,) = (tmp_path / "sessions").glob("*.pcapng")
    session = open_session(path)
    kinds = [record.kind for record in session.records]
    assert {Kind.ACT, Kind.MARK, Kind.RECEIVED, Kind.LINK, Kind.OUTCOME} <= set(kinds) and session.closed
    assert TOKEN.encode() not in path.read_bytes()
