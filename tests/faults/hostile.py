"""`python -m tests.faults.hostile ADDRESS`: 200 connections that mean no good, until it is killed. Prints their number.

Half requests that go on a byte at a time, garbage that is sent again when it is thrown out, viewers that never read.
"""

from __future__ import annotations

import base64
import contextlib
import itertools
import os
import socket
import sys
import time
from urllib.parse import urlsplit

HALF, GARBAGE, STUCK = 100, 60, 40
PAUSE_S = 0.02


def main() -> None:
    """Connect, and go on."""
    place = urlsplit(sys.argv[1])
    where = (place.hostname, place.port)
    half = [_begun(where, b"GET /api/about HTTP/1.1\r\nHost: ") for _ in range(HALF)]
    stuck = [_viewer(where, place.netloc) for _ in range(STUCK)]
    garbage = [_begun(where, os.urandom(400)) for _ in range(GARBAGE)]
    print(len(half) + len(stuck) + len(garbage), flush=True)
    for number in itertools.count():
        time.sleep(PAUSE_S)
        with contextlib.suppress(OSError):
            half[number % HALF].send(b"a")
        garbage[number % GARBAGE].close()
        garbage[number % GARBAGE] = _begun(where, os.urandom(400))


def _begun(where: tuple[str | None, int | None], data: bytes) -> socket.socket:
    plain = socket.socket()
    plain.settimeout(5.0)
    with contextlib.suppress(OSError):
        plain.connect(where)
        plain.sendall(data)
    return plain


def _viewer(where: tuple[str | None, int | None], host: str) -> socket.socket:
    key = base64.b64encode(os.urandom(16)).decode()
    asked = (
        f"GET /ws/view HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"
    )
    return _begun(where, f"{asked}Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: {key}\r\n\r\n".encode())


if __name__ == "__main__":
    main()
