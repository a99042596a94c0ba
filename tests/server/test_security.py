"""Host, Origin, sizes, headers: over real connections to a real server, in the order of check_values 13."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

import pytest
from websockets.exceptions import InvalidStatus

from server.security import BODY_AT_MOST, content_policy, new_token, tokens_match
from tests.server.page_server import PageServer, run


def test_policy_is_exactly_this() -> None:
    assert content_policy("127.0.0.1:8731") == (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; media-src blob:; "
        "font-src 'self'; connect-src 'self' ws://127.0.0.1:8731 wss://127.0.0.1:8731; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'"
    )


def test_tokens() -> None:
    tokens = {new_token() for _ in range(100)}
    assert len(tokens) == 100 and all(re.fullmatch(r"[A-Za-z0-9_-]{43}", token) for token in tokens)
    assert tokens_match("abc", "abc")
    for wrong in ("abd", "", "abc ", None, 5, ["abc"], b"abc", "\ud800", "é"):
        assert not tokens_match(wrong, "abc")


async def raw(bench: PageServer, request: str) -> str:
    """Send bytes as they are and return the status line and headers."""
    reader, writer = await asyncio.open_connection("127.0.0.1", bench.port)
    writer.write(request.replace("\n", "\r\n").encode("latin-1"))
    answer = await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), 5)
    writer.close()
    return answer.decode("latin-1")


def test_hosts(tmp_path: Path, monkeypatch) -> None:
    """DNS rebinding: a foreign page's name that points here must get nothing, not even with a GET."""

    async def what(bench: PageServer) -> None:
        for host in (bench.host, f"localhost:{bench.port}", f"LOCALHOST:{bench.port}"):
            assert (await bench.http.get("/api/about", headers={"Host": host})).status_code == 200
        port = bench.port
        foreign = ("evil.example", f"evil.example:{port}", "127.0.0.1", "127.0.0.1:1", f"127.0.0.1.evil:{port}", "")
        for host in foreign:
            for path in ("/", "/api/about", "/web/main.js", "/api/nothing"):
                answer = await bench.http.get(path, headers={"Host": host})
                assert answer.status_code == 421, (host, path)
                assert "does not answer under that name" in answer.text
        assert "421" in (await raw(bench, "GET / HTTP/1.0\n\n")).splitlines()[0]
        two_hosts = await raw(bench, f"GET / HTTP/1.1\nHost: {bench.host}\nHost: evil.example\n\n")
        assert "400" in two_hosts.splitlines()[0]

    run(what, tmp_path, monkeypatch)


def test_origins(tmp_path: Path, monkeypatch) -> None:
    """RFC 6455 10.2; exact match of the whole name and port, no prefix, no suffix (OWASP)."""

    async def what(bench: PageServer) -> None:
        ours = f"http://{bench.host}"
        assert (await bench.http.get("/api/about", headers={"Origin": ours})).status_code == 200
        foreign = (
            "http://evil.example", "null", "", "http://127.0.0.1", f"http://127.0.0.1:{bench.port}0", f"{ours}.evil.example",
            f"http://localhost:{bench.port}", f"ftp://{bench.host}", f"{ours}/", f"file://{bench.host}", bench.host,
        )  # fmt: skip
        for origin in foreign:
            assert (await bench.http.get("/api/about", headers={"Origin": origin})).status_code == 403, origin
            for path in (bench.view, bench.desk):
                with pytest.raises(InvalidStatus) as refused:
                    await path(origin=origin)
                assert refused.value.response.status_code == 403
        for path in (bench.view, bench.desk):
            with pytest.raises(InvalidStatus):
                await path(origin=None)
            with pytest.raises(InvalidStatus):
                await path(additional_headers={"Host": "evil.example"})
            async with path():
                pass

    run(what, tmp_path, monkeypatch)


def test_every_page_carries_the_headers(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        for path in ("/", "/web/main.js", "/api/about", "/api/sessions", "/api/sessions/none/summary", "/nothing"):
            headers = (await bench.http.get(path)).headers
            assert headers["content-security-policy"] == content_policy(bench.host), path
            assert headers["x-content-type-options"] == "nosniff"
            assert headers["referrer-policy"] == "no-referrer"
            assert headers["cross-origin-opener-policy"] == "same-origin"
            assert headers["cross-origin-resource-policy"] == "same-origin"
            assert headers["cache-control"] == "no-store"
            assert "server" not in headers and "access-control-allow-origin" not in headers
        named = await bench.http.get("/", headers={"Host": f"localhost:{bench.port}"})
        assert f"ws://localhost:{bench.port} " in named.headers["content-security-policy"]

    run(what, tmp_path, monkeypatch)


def test_large_bodies_and_heads(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        for origin in ("", f"Origin: http://{bench.host}\n"):
            head = f"POST /api/about HTTP/1.1\nHost: {bench.host}\n{origin}"
            assert "413" in (await raw(bench, f"{head}Content-Length: {BODY_AT_MOST + 1}\n\n")).splitlines()[0]
        assert "400" in (await raw(bench, f"GET / HTTP/1.1\nHost: {bench.host}\nX: {'a' * 200_000}\n\n")).splitlines()[0]
        assert "400" in (await raw(bench, "\x00\x01\x02 nonsense\n\n")).splitlines()[0]

    run(what, tmp_path, monkeypatch)


def test_200_idle_connections_are_no_hindrance(tmp_path: Path, monkeypatch) -> None:
    """Fault 40."""

    async def what(bench: PageServer) -> None:
        idle = [await asyncio.open_connection("127.0.0.1", bench.port) for _ in range(200)]
        for _, writer in idle[:100]:
            writer.write(b"GET / HTTP/1.1\r\nHost: ")  # half a request
        assert (await bench.http.get("/api/about")).status_code == 200
        async with bench.view() as viewer:
            await asyncio.wait_for(viewer.recv(), 5)
        for _, writer in idle:
            writer.close()

    run(what, tmp_path, monkeypatch)
