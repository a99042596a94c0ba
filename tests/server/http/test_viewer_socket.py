"""Who gets a place at the viewers' socket, over real connections."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from websockets.exceptions import InvalidStatus

from server.http.application import make_app
from server.http.doorman import FROM_ONE_AT_MOST, ViewerPlaces
from tests.server.http.page_server import TOKEN, PageServer, hear, run
from tests.server.http.test_application import until


def test_no_more_viewers_than_the_cap(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        bench.site.hub.places = ViewerPlaces(at_most=3)
        async with bench.view() as a, bench.view() as b, bench.view() as c:
            for viewer in (a, b, c):
                await hear(viewer, "hello")
            await until(lambda: len(bench.site.hub) == 3)
            with pytest.raises(InvalidStatus, match="403"):
                await bench.view()
            assert (await bench.http.get("/api/about")).status_code == 200
        await until(lambda: len(bench.site.hub) == 0)
        async with bench.view() as again:
            await hear(again, "hello")

    run(what, tmp_path, monkeypatch)


def test_the_operators_page_comes_in_when_all_places_are_taken_and_nobody_else_does(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        hub = bench.site.hub
        hub.places = ViewerPlaces(at_most=1, kept=1)
        async with bench.view() as other:
            await hear(other, "hello")
            for offered in (
                ["view", "operator.wrong"],
                [f"operator.{TOKEN}"],
                ["view", TOKEN],
                ["view", "operator."],
                ["view"],
            ):
                with pytest.raises(InvalidStatus, match="403"):
                    await bench.view(subprotocols=offered)
            async with bench.view(subprotocols=["view", f"operator.{TOKEN}"]) as page:
                assert page.subprotocol == "view"
                await hear(page, "hello")
                bench.hear()
                assert (await hear(page, "update"))["rows"] and len(hub) == 2
                with pytest.raises(InvalidStatus, match="403"):
                    await bench.view(subprotocols=["view", f"operator.{TOKEN}"])
            await until(lambda: len(hub) == 1)
            async with bench.view(subprotocols=["view", f"operator.{TOKEN}"]) as page:
                await hear(page, "hello")
        async with bench.view(subprotocols=["view", "operator.wrong"]) as page:  # it was there before the station was
            assert page.subprotocol == "view"
            await hear(page, "hello")

    run(what, tmp_path, monkeypatch)


def test_one_address_of_the_network_leaves_places_for_the_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the application's own interface (ASGI), because every real connection here comes from this computer."""

    async def what(bench: PageServer) -> None:
        app, forever, tasks = make_app(bench.site), asyncio.Event(), []

        async def ask(source: str) -> str:
            """Ask for the viewers' socket from an address and stay; return what was answered."""
            answered: asyncio.Future[str] = asyncio.get_running_loop().create_future()

            async def receive() -> dict[str, object]:
                if not answered.done():
                    return {"type": "websocket.connect"}
                await forever.wait()
                return {"type": "websocket.disconnect", "code": 1001}

            async def send(message: dict[str, object]) -> None:
                if not answered.done():
                    answered.set_result(str(message["type"]))

            scope = {"type": "websocket", "path": "/ws/view", "raw_path": b"/ws/view", "query_string": b"", "headers": []}
            more = {"client": (source, 1), "server": ("192.0.2.1", 80), "scheme": "ws", "subprotocols": [], "root_path": ""}
            tasks.append(asyncio.create_task(app(scope | more, receive, send)))
            return await answered

        answers = [await ask("192.0.2.7") for _ in range(FROM_ONE_AT_MOST + 10)]
        assert answers == ["websocket.accept"] * FROM_ONE_AT_MOST + ["websocket.close"] * 10
        assert await ask("192.0.2.8") == "websocket.accept"
        async with bench.view() as own:
            await hear(own, "hello")
        forever.set()
        await asyncio.gather(*tasks)
        assert len(bench.site.hub) == 0 and await ask("192.0.2.7") == "websocket.accept"
        await asyncio.gather(*tasks)

    run(what, tmp_path, monkeypatch)
