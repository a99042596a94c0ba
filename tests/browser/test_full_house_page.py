"""All places for viewers are taken: an operator's page comes in all the same, a page without the token does not."""

from __future__ import annotations

import base64
import contextlib
import os
import socket
import tty
from pathlib import Path

import pytest

from server.http.doorman import VIEWERS_AT_MOST
from tests.browser.station import Process, eventually, page_of

pytestmark = pytest.mark.terminal


def watcher(host: str, port: int) -> tuple[socket.socket, bytes]:
    """Ask for the viewers' socket and read no further than the answer's first line."""
    line = socket.create_connection((host, port), timeout=10)
    key = base64.b64encode(os.urandom(16)).decode()
    line.sendall(
        f"GET /ws/view HTTP/1.1\r\nHost: {host}:{port}\r\nOrigin: http://{host}:{port}\r\nUpgrade: websocket\r\n"
        f"Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: {key}\r\n\r\n".encode()
    )
    return line, line.recv(15)


def test_an_operators_page_comes_in_when_all_places_are_taken(tmp_path: Path, browser: object) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    station = Process(tmp_path, "live", "--port", os.ttyname(slave), "--no-browser", "--http-port", "0")
    address, port, token = station.line(r"(http://127\.0\.0\.1:(\d+)/)#operator=(\S+)").groups()
    with contextlib.ExitStack() as lines:
        for _ in range(VIEWERS_AT_MOST):
            line, answer = watcher("127.0.0.1", int(port))
            lines.enter_context(line)
            assert b" 101" in answer
        line, answer = watcher("127.0.0.1", int(port))
        lines.enter_context(line)
        assert b" 403" in answer

        with page_of(browser) as page:
            page.goto(f"{address}#operator={token}")
            eventually(lambda: page.locator('[data-testid="status-link"]:visible').first.inner_text() == "Waiting", 20)
        with page_of(browser) as page:
            page.goto(address)
            eventually(lambda: page.locator('[data-testid="banner-silent"]').is_visible(), 20)
    station.stop()
    os.close(slave)
    os.close(master)
