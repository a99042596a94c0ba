"""Many flights drawn in a process of their own: started, heard line by line, and ended with whoever listens."""

from __future__ import annotations

import asyncio
import json
import sys
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import AsyncGenerator

LONGEST_S = 180.0
LINE_AT_MOST = 4_000_000
BROKEN = "The flights could not be drawn to the end."


async def drawn_lines(order: str) -> AsyncGenerator[bytes, None]:
    """Yield what the process of `design.drawn_apart` says, as it says it; the last line is an answer or a sentence."""
    command = (sys.executable, "-m", "server.design.drawn_apart")
    process = await asyncio.create_subprocess_exec(*command, stdin=PIPE, stdout=PIPE, stderr=DEVNULL, limit=LINE_AT_MOST)
    try:
        async with asyncio.timeout(LONGEST_S):
            async for line in _said(process, order):
                yield line
    except TimeoutError:
        yield _as_line("It took too long; ask for fewer flights.")
    except (ValueError, OSError):
        yield _as_line(BROKEN)
    finally:
        if process.returncode is None:
            process.kill()
        await asyncio.shield(process.wait())


async def _said(process: Process, order: str) -> AsyncGenerator[bytes, None]:
    assert process.stdin is not None and process.stdout is not None
    process.stdin.write(order.encode())
    await process.stdin.drain()
    process.stdin.close()
    last = b""
    while line := await process.stdout.readline():
        last = line
        yield line
    if not last.startswith((b'{"told"', b'{"sentence"')):
        yield _as_line(BROKEN)


def _as_line(sentence: str) -> bytes:
    return json.dumps({"sentence": sentence}).encode() + b"\n"
