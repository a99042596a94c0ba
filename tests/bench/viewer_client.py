"""Viewers as light as can be, for measuring what a crowd of them sees (`viewers.py`)."""

from __future__ import annotations

import asyncio
import base64
import os
import re
import time
from dataclasses import dataclass, field

MARK = re.compile(rb'"barometer":\[\[([0-9.]+),')


@dataclass
class Tally:
    """What the measured viewers saw: delays in seconds, one example of a message, when each round was sent."""

    sent: dict[bytes, float] = field(default_factory=dict)
    delays: list[float] = field(default_factory=list)
    example: bytes = b""
    messages: int = 0
    size: int = 0


class Client(asyncio.Protocol):
    """A viewer as light as can be, so that the viewers' own work does not hide the server's.

    Kinds: see `viewers.ODD_ONES`.
    """

    def __init__(self, address: str, path: str, kind: str, tally: Tally, offered: str = "") -> None:
        self._address, self._path, self.kind, self._tally = address, path, kind, tally
        self._offered = f"Sec-WebSocket-Protocol: {offered}\r\n" if offered else ""
        self._data = b""
        self._open = False

    def connection_made(self, transport: asyncio.Transport) -> None:
        """Ask for the socket."""
        self.transport = transport
        key = base64.b64encode(os.urandom(16)).decode()
        transport.write(
            f"GET {self._path} HTTP/1.1\r\nHost: {self._address}\r\nOrigin: http://{self._address}\r\nUpgrade: websocket\r\n"
            f"Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: {key}\r\n"
            f"{self._offered}\r\n".encode()
        )

    def data_received(self, data: bytes) -> None:
        """Take whole messages out of what came."""
        now = time.perf_counter()
        self._data += data
        if not self._open:
            head, end, rest = self._data.partition(b"\r\n\r\n")
            if not end:
                return
            assert b" 101 " in head.split(b"\r\n")[0], head
            self._open, self._data = True, rest
            if self.kind == "stopped":
                self.transport.pause_reading()
        while (frame := self._frame()) is not None:
            self._take(*frame, now)

    def _frame(self) -> tuple[int, bytes] | None:
        """Return (opcode, payload) of the next whole frame (RFC 6455 section 5.2; a server's are not masked)."""
        data = self._data
        if len(data) < 2:
            return None
        size, start = data[1] & 127, 2
        if size > 125:
            start = 4 if size == 126 else 10
            size = int.from_bytes(data[2:start], "big")
        if len(data) < start + size:
            return None
        self._data = data[start + size :]
        return data[0] & 15, data[start : start + size]

    def _take(self, opcode: int, payload: bytes, now: float) -> None:
        if opcode == 9:
            self.transport.write(b"\x8a" + bytes([0x80 | len(payload)]) + bytes(4) + payload)
        mark = MARK.search(payload)
        if opcode != 1 or mark is None or self.kind != "measured":
            return
        tally = self._tally
        at = tally.sent.get(mark[1])
        if at is not None:
            tally.delays.append(now - at)
            tally.messages += 1
            tally.size += len(payload)
            tally.example = payload


class Waiting(Client):
    """A viewer that notes its longest time without a message, in seconds, from its connection on."""

    def __init__(self, address: str, offered: str = "") -> None:
        super().__init__(address, "/ws/view", "waiting", Tally(), offered)
        self._last_s = time.perf_counter()
        self.longest_s = 0.0

    def look(self) -> None:
        """Count the time since the last message."""
        self.longest_s = max(self.longest_s, time.perf_counter() - self._last_s)

    def _take(self, opcode: int, payload: bytes, now: float) -> None:
        super()._take(opcode, payload, now)
        if opcode == 1:
            self.look()
            self._last_s = time.perf_counter()
