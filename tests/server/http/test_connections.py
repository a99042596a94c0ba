"""Connections that say nothing, and too many of them."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from pathlib import Path

import pytest

import server.http.connections
import server.http.doorman
from tests.server.http.page_server import PageServer, run

Line = tuple[asyncio.StreamReader, asyncio.StreamWriter]


async def gone(line: Line) -> None:
    """Wait for the other side to end a connection without a word."""
    with suppress(ConnectionResetError):
        assert await asyncio.wait_for(line[0].read(), 5) == b""


async def close(lines: list[Line]) -> None:
    """End connections from this side."""
    for _, writer in lines:
        writer.close()
    for _, writer in lines:
        with suppress(OSError):
            await writer.wait_closed()


def test_who_says_nothing_is_let_go_and_who_asked_is_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server.http.connections, "SILENT_S", 0.3)

    async def what(bench: PageServer) -> None:
        silent = await asyncio.open_connection("127.0.0.1", bench.port)
        half = await asyncio.open_connection("127.0.0.1", bench.port)
        half[1].write(b"GET / HTTP/1.1\r\nHost: ")
        asked = await asyncio.open_connection("127.0.0.1", bench.port)
        request = f"GET /api/about HTTP/1.1\r\nHost: {bench.host}\r\n\r\n".encode()
        asked[1].write(request)
        assert (await asked[0].readuntil(b"}")).startswith(b"HTTP/1.1 200")
        async with bench.view() as viewer:
            await asyncio.wait_for(viewer.recv(), 5)
            for line in (silent, half):
                await gone(line)
            asked[1].write(request)
            assert (await asked[0].readuntil(b"}")).startswith(b"HTTP/1.1 200")
            bench.hear()
            await asyncio.wait_for(viewer.recv(), 5)  # the viewer's line is left alone
        await close([silent, half, asked])

    run(what, tmp_path, monkeypatch)


def test_more_than_all_are_turned_away_and_there_is_room_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: PageServer) -> None:
        lines = [await asyncio.open_connection("127.0.0.1", bench.port) for _ in range(server.http.doorman.AT_MOST)]
        one_more = await asyncio.open_connection("127.0.0.1", bench.port)
        await gone(one_more)
        await close([*lines, one_more])
        await asyncio.sleep(0.1)
        assert (await bench.http.get("/api/about")).status_code == 200

    run(what, tmp_path, monkeypatch)
