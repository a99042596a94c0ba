"""Watching along by a second address: look and nothing else, by real processes, sockets and requests."""

from __future__ import annotations

import asyncio
import json
import ssl
import subprocess
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import segno
import websockets
import zxingcpp

from server.http.sharing import ViewOnly, is_address, lan_address, picture
from tests.browser.station import Process

SHARED = "127.0.0.2"  # on every Linux this computer, and not the address the operator uses


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str, str]]:
    """Give (operator's address, shared address, token) of a demonstration that is shared."""
    demo = Process(tmp_path_factory.mktemp("home"), "demo", "--no-browser", "--http-port", "0", "--share", SHARED)
    try:
        token = demo.line(r"#operator=(\S+)")[1]
        shared = demo.line(r"Shared on this network, view only: (http://\S+)")[1]
        yield shared.replace(SHARED, "127.0.0.1"), shared, token
    finally:
        demo.stop()


def status(method: str, url: str, token: str | None = None) -> int:
    headers = {"authorization": f"Bearer {token}"} if token else {}
    request = urllib.request.Request(url, method=method, headers=headers, data=b"{}" if method != "GET" else None)
    try:
        with urllib.request.urlopen(request, timeout=10) as answer:
            return answer.status
    except urllib.error.HTTPError as error:
        error.close()
        return error.code


def fetched(url: str) -> bytes:
    with urllib.request.urlopen(url, timeout=10) as answer:
        return answer.read()


async def desk(url: str, token: str) -> dict | int:
    """Sign in at the desk; return its first message, or the status it was refused with."""
    address = url.replace("http", "ws") + "ws/desk"
    try:
        async with websockets.connect(address, origin=url.rstrip("/")) as socket:
            await socket.send(json.dumps({"type": "sign_in", "token": token, "name": "x"}))
            return json.loads(await asyncio.wait_for(socket.recv(), 10))
    except websockets.InvalidStatus as refused:
        return refused.response.status_code


async def first_view(url: str) -> dict:
    async with websockets.connect(url.replace("http", "ws") + "ws/view", origin=url.rstrip("/")) as socket:
        return json.loads(await asyncio.wait_for(socket.recv(), 10))


def test_the_shared_address_shows(station: tuple[str, str, str]) -> None:
    _, shared, _ = station
    assert status("GET", shared) == status("GET", shared + "api/sessions") == 200
    assert asyncio.run(first_view(shared))["type"] == "hello"


def test_the_shared_address_changes_nothing_even_with_the_token(station: tuple[str, str, str]) -> None:
    operator, shared, token = station
    assert asyncio.run(desk(operator, token))["type"] == "signed_in"
    assert asyncio.run(desk(shared, token)) == 403
    for method, path in (
        ("PUT", "api/sessions/calm/notes"),
        ("DELETE", "api/sessions/calm"),
        ("POST", "api/trash/x/restore"),
    ):
        assert status(method, shared + path, token) == 403
    assert status("PUT", operator + "api/sessions/calm/notes", token) == 200


def test_no_other_name_is_answered(station: tuple[str, str, str]) -> None:
    _, shared, _ = station
    request = urllib.request.Request(shared, headers={"host": "rebound.example"})
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(request, timeout=10)
    assert refused.value.code == 421
    refused.value.close()


def test_the_code_on_the_page_is_the_shared_link(station: tuple[str, str, str]) -> None:
    """Read by an independent decoder (ZXing)."""
    operator, shared, _ = station
    assert json.loads(fetched(operator + "api/about"))["shared"] == shared
    svg = fetched(operator + "api/shared.svg")
    assert svg == picture(shared) and b"script" not in svg
    symbol = segno.make(shared, error="m", micro=False)
    rows = np.array([[bool(module) for module in row] for row in symbol.matrix_iter(border=4)])
    pixels = np.kron(np.where(rows, 0, 255).astype(np.uint8), np.ones((6, 6), dtype=np.uint8))
    assert zxingcpp.read_barcodes(pixels)[0].text == shared


def test_https_with_a_given_certificate(tmp_path: Path) -> None:
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "1", "-subj", "/CN=localhost"]
    subprocess.run([*made, "-keyout", key, "-out", certificate], check=True, capture_output=True)
    files = ["--certificate", str(certificate), "--certificate-key", str(key)]
    demo = Process(tmp_path, "demo", "--no-browser", "--http-port", "0", *files)
    try:
        address = demo.line(r"Page: (https://\S+)")[1]
        trusting = ssl.create_default_context(cafile=str(certificate))
        trusting.check_hostname = False
        with urllib.request.urlopen(address, timeout=10, context=trusting) as answer:
            assert answer.status == 200 and "wss://" in answer.headers["content-security-policy"]
    finally:
        demo.stop()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--share", "rebound.example"], "no address"),
        (["--share-desk"], "needs --share"),
        (["--certificate", "none.pem"], "needs both"),
        (["--certificate", "none.pem", "--certificate-key", "none.pem"], "no file"),
        (["--share", "203.0.113.7"], "not allowed"),  # RFC 5737: nobody's address
    ],
)
def test_what_cannot_be_shared_is_one_sentence(tmp_path: Path, arguments: list[str], said: str) -> None:
    demo = Process(tmp_path, "demo", "--no-browser", "--http-port", "0", *arguments)
    lines = demo.stop() if demo.process.wait(30) is not None else []
    assert demo.process.returncode != 0 and said in " ".join(lines)


def test_addresses() -> None:
    assert is_address("192.0.2.1") and is_address("::1") and not is_address("name") and not is_address("")
    found = lan_address()
    assert found is None or is_address(found)


@pytest.mark.parametrize(
    ("server", "kind", "what", "refused"),
    [
        ("192.0.2.7", "http", "GET", False),
        ("192.0.2.7", "http", "HEAD", False),
        ("192.0.2.7", "http", "POST", True),
        ("192.0.2.7", "http", "DELETE", True),
        ("192.0.2.7", "websocket", "/ws/view", False),
        ("192.0.2.7", "websocket", "/ws/desk", True),
        ("127.0.0.1", "http", "DELETE", False),
        ("127.0.0.1", "websocket", "/ws/desk", False),
        (None, "http", "DELETE", False),
    ],
)
def test_the_rule(server: str | None, kind: str, what: str, refused: bool) -> None:
    scope = {"type": kind, "server": (server, 80) if server else None, "path": what, "method": what}
    assert ViewOnly("192.0.2.7").refuses(scope) is refused
