"""A slow network between a page and its station: a TCP relay that hands everything on so many seconds later."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from urllib.parse import urlsplit


class LateRelay:
    """Pages reach the station through `address`; `late_s` may be changed at any time, each way for itself is as late.

    The station answers only to its own name, so the relay's port in what a page says of itself becomes the station's.
    """

    def __init__(self, address: str) -> None:
        self._to = urlsplit(address)
        self.late_s = 0.0
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        self._ready.wait(10)
        self.address = f"http://127.0.0.1:{self._port}/"

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._server = self._loop.run_until_complete(asyncio.start_server(self._serve, "127.0.0.1", 0))
        self._port = self._server.sockets[0].getsockname()[1]
        self._ready.set()
        self._loop.run_forever()
        self._server.close()
        left = asyncio.all_tasks(self._loop)
        for task in left:
            task.cancel()
        self._loop.run_until_complete(asyncio.gather(*left, return_exceptions=True))
        self._loop.run_until_complete(asyncio.sleep(0.1))  # the transports end in turns of the loop
        self._loop.close()

    async def _serve(self, page: asyncio.StreamReader, to_page: asyncio.StreamWriter) -> None:
        station, to_station = await asyncio.open_connection(self._to.hostname, self._to.port)
        mine, theirs = f"127.0.0.1:{self._port}".encode(), f"{self._to.hostname}:{self._to.port}".encode()
        with contextlib.closing(to_page), contextlib.closing(to_station), contextlib.suppress(OSError):
            await asyncio.gather(
                self._hand_on(page, to_station, lambda data: data.replace(mine, theirs)),
                self._hand_on(station, to_page, lambda data: data),
            )

    async def _hand_on(self, source: asyncio.StreamReader, target: asyncio.StreamWriter, change: object) -> None:
        waiting: asyncio.Queue = asyncio.Queue()
        sender = asyncio.ensure_future(self._send(waiting, target))
        with contextlib.suppress(OSError):
            while data := await source.read(65536):
                waiting.put_nowait((self._loop.time() + self.late_s, change(data)))
        waiting.put_nowait((self._loop.time() + self.late_s, b""))
        await sender

    async def _send(self, waiting: asyncio.Queue, target: asyncio.StreamWriter) -> None:
        while True:
            due, data = await waiting.get()
            await asyncio.sleep(max(0.0, due - self._loop.time()))
            if not data:
                target.close()
                return
            target.write(data)
            await target.drain()

    def close(self) -> None:
        """End it."""
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
