"""Host, Origin, sizes, headers: over real connections to a real server (tests/SOURCES.md, request-refusals)."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

import pytest
from websockets.exceptions import InvalidStatus

from server.http import security
from server.http.security import (
    ANSWERS_PENDING_AT_MOST,
    BODY_AT_MOST,
    FORGIVEN_AFTER_S,
    LONGEST_DELAY_S,
    SOURCES_AT_MOST,
    TokenGuard,
    Verdict,
    content_policy,
    new_token,
    tokens_match,
)
from tests.server.http.page_server import PageServer, run


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


# ---------------------------------------------------------------- the token guard


HERE, THERE = "127.0.0.1", "192.0.2.7"


def two_seats() -> TokenGuard:
    return TokenGuard({"1": "first", "2": "second"})


def test_each_token_opens_its_own_seat_at_once() -> None:
    guard = two_seats()
    assert guard.check("first", HERE, 0.0) == Verdict("1", 0.0)
    assert guard.check("second", HERE, 0.0) == Verdict("2", 0.0)
    for wrong in ("third", "", None, 5, b"first", ["first"], {"1": "first"}, "\ud800"):
        verdict = guard.check(wrong, HERE, 0.0)
        assert verdict.seat is None and verdict.wait_s >= 1.0


def test_wrong_tokens_wait_1_s_doubling_to_30_s() -> None:
    guard = two_seats()
    waits = [guard.check("x", HERE, 0.0).wait_s for _ in range(8)]
    assert waits == pytest.approx([1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0])


def test_delay_decays_by_one_halving_a_minute_and_ends_at_the_first() -> None:
    guard = two_seats()
    for _ in range(6):
        guard.check("x", HERE, 0.0)
    # Half a doubling is forgiven in half a minute: 30 / 2 ** 0.5 doubled, at most 30; in two minutes 30 / 4 doubled.
    assert guard.check("x", HERE, 2 * FORGIVEN_AFTER_S).wait_s == pytest.approx(LONGEST_DELAY_S / 4 * 2)
    assert guard.check("x", HERE, 20 * FORGIVEN_AFTER_S).wait_s == pytest.approx(1.0)
    assert guard.check("x", HERE, 20 * FORGIVEN_AFTER_S).wait_s == pytest.approx(2.0)


def test_each_source_has_its_own_delay() -> None:
    guard = two_seats()
    assert [guard.check("x", HERE, 0.0).wait_s for _ in range(3)] == pytest.approx([1.0, 2.0, 4.0])
    assert guard.check("x", THERE, 0.0).wait_s == pytest.approx(1.0)


def test_many_sources_together_are_slowed_too() -> None:
    guard = two_seats()
    waits = [guard.check("x", f"192.0.2.{n}", 40.0 * n).wait_s for n in range(60)]
    assert waits[0] == 1.0 and max(waits) < 2.0, "one wrong token in 40 s, from wherever, is forgiven nearly as fast"
    guard = two_seats()
    waits = [guard.check("x", f"192.0.2.{n}", 31.0 * n / 15).wait_s for n in range(60)]
    assert waits == sorted(waits) and waits[-1] == pytest.approx(LONGEST_DELAY_S)


def test_a_right_token_never_waits_whatever_others_do() -> None:
    """Else a page that tries an old token again and again could keep the operator from making the vehicle safe."""
    guard = two_seats()
    for n in range(1000):
        guard.check(f"guess {n}", HERE, n / 100)
        assert guard.check("second", HERE, n / 100) == Verdict("2", 0.0)


def test_a_right_token_does_not_excuse_wrong_ones() -> None:
    guard = two_seats()
    guard.check("x", HERE, 0.0)
    guard.check("first", HERE, 0.0)
    assert guard.check("x", HERE, 0.0).wait_s == pytest.approx(2.0)


def test_answers_held_back_are_bounded_and_then_owed_again() -> None:
    """Connections kept waiting would use up what a right token needs."""
    guard = two_seats()
    waits = [guard.check("x", HERE, 0.0).wait_s for _ in range(100)]
    assert sum(wait > 0 for wait in waits) == ANSWERS_PENDING_AT_MOST and waits[-1] == 0.0
    assert guard.check("x", HERE, 31.0).wait_s > 1.0


def test_time_that_goes_back_forgives_nothing_and_locks_nobody() -> None:
    guard = two_seats()
    guard.check("x", HERE, 100.0)
    assert guard.check("x", HERE, 0.0).wait_s == pytest.approx(2.0)
    assert guard.check("first", HERE, 0.0).seat == "1"


def test_memory_of_sources_is_bounded_and_keeps_the_latest() -> None:
    guard = two_seats()
    for n in range(SOURCES_AT_MOST + 50):
        guard.check("x", f"source {n}", 0.0)
    assert len(guard._sources) == SOURCES_AT_MOST and f"source {SOURCES_AT_MOST + 49}" in guard._sources


@pytest.mark.parametrize("tokens", [{"1": "same", "2": "same"}, {"1": ""}])
def test_seats_must_have_tokens_of_their_own(tokens: dict[str, str]) -> None:
    with pytest.raises(ValueError, match="a token of its own"):
        TokenGuard(tokens)


def test_without_seats_nothing_opens() -> None:
    assert TokenGuard({}).check("", HERE, 0.0).seat is None


def test_every_seat_is_compared_in_constant_time(monkeypatch) -> None:
    """Also when the first one already fits; and by the comparison made for it."""
    compared = []
    real = security.hmac.compare_digest
    monkeypatch.setattr(security.hmac, "compare_digest", lambda a, b: (compared.append(b), real(a, b))[1])
    for given in ("first", "second", "wrong"):
        compared.clear()
        two_seats().check(given, HERE, 0.0)
        assert compared == [b"first", b"second"]


# ---------------------------------------------------------------- over real connections


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
            assert headers.get_list("cache-control") == ["no-cache" if path in ("/", "/web/main.js") else "no-store"], path
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
