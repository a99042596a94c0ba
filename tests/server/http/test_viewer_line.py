"""Ready-made frames are what the protocol asks for, and a line never holds more than one message."""

from __future__ import annotations

import asyncio
import socket

import pytest
from websockets.client import ClientProtocol
from websockets.frames import Opcode
from websockets.protocol import State
from websockets.uri import parse_uri

from server.http.viewer_line import ViewerLine, text_frame


@pytest.mark.parametrize("size", [0, 1, 125, 126, 127, 65535, 65536, 70000])
def test_a_frame_is_read_by_an_independent_client(size: int) -> None:
    text = ("\N{DEGREE SIGN}" * size)[:size].encode()
    client = ClientProtocol(parse_uri("ws://127.0.0.1/"), max_size=None)
    client.state = State.OPEN
    client.parser = client.parse()
    next(client.parser)
    client.receive_data(text_frame(text) + text_frame(b"after"))
    frames = client.events_received()
    assert [(frame.opcode, bytes(frame.data), frame.fin) for frame in frames] == [
        (Opcode.TEXT, text, True),
        (Opcode.TEXT, b"after", True),
    ]


def test_a_line_is_free_until_the_page_stops_reading_and_again_when_it_reads() -> None:
    async def go() -> None:
        ours, theirs = socket.socketpair()
        for one in (ours, theirs):
            one.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        loop = asyncio.get_running_loop()
        transport, _ = await loop.create_connection(asyncio.Protocol, sock=ours)
        line, frame, written = ViewerLine(transport), text_frame(b"x" * 10_000), 0
        while line.is_free:
            line.write(frame)
            written += 1
        assert 0 < transport.get_write_buffer_size() <= len(frame) and written < 100
        theirs.setblocking(False)
        got = 0
        while not line.is_free:
            got += len(await loop.sock_recv(theirs, 65536))
        assert got > len(frame) // 2
        transport.abort()
        assert not line.is_free
        await asyncio.sleep(0)
        theirs.close()

    asyncio.run(go())
