"""A station killed in the middle goes on with its session, disarmed, and closes what it had left open (I3)."""

from __future__ import annotations

import asyncio
import json
import urllib.request
from pathlib import Path

from websockets.asyncio.client import connect

from server.review.review import open_review
from server.review.summary import summarize
from tests.browser.station import Process, eventually


async def arm_and_stay(port: str, token: str) -> str:
    """Sign in, arm the hazardous release of the firing board, and answer with the command's number."""
    origin = f"http://127.0.0.1:{port}"
    async with connect(f"ws://127.0.0.1:{port}/ws/desk", origin=origin) as desk:
        await desk.send(json.dumps({"type": "sign_in", "token": token, "name": "operator"}))
        for n in range(60):
            await desk.send(json.dumps({"type": "arm", "n": n, "command": "board_release", "args": {}}))
            while (answer := json.loads(await desk.recv()))["type"] != "reply":
                continue
            if answer["ok"]:
                return answer["id"]
            await asyncio.sleep(0.1)
    raise AssertionError(answer)


def station(home: Path, url: str) -> tuple[Process, str, str]:
    """Start a station; return it, its page port and its operator token."""
    process = Process(home, "live", "--port", url, "--no-browser", "--http-port", "0")
    port, token = process.line(r"http://127\.0\.0\.1:(\d+)/#operator=(\S+)").groups()
    return process, port, token


def columns_size(port: str) -> int:
    """Return the size of the live session's columns."""
    return len(urllib.request.urlopen(f"http://127.0.0.1:{port}/api/sessions/live/columns").read())


def test_killed_while_armed(tmp_path: Path) -> None:
    """I3."""
    twin = Process(tmp_path, "twin", "--listen", "socket://127.0.0.1:0", "--rate", "5", "--ignite-after", "5000")
    url = twin.line(r"(socket://\S+)")[1]
    first, port, token = station(tmp_path, url)
    try:
        eventually(lambda: columns_size(port) > 100_000, 20)
        id = asyncio.run(arm_and_stay(port, token))
        size = columns_size(port)
        # The desk's page is gone, so the arm is dropped already; arm once more with the socket open and pull the plug.
        last = asyncio.run(killed_with_an_arm(port, token, first))
    finally:
        first.process.kill()
        first.stop()
    second, port, token = station(tmp_path, url)
    try:
        assert columns_size(port) >= size - 20_000, "what the session held before the crash is shown again"
        eventually(lambda: columns_size(port) > size + 20_000, 20)
    finally:
        path = Path(second.stop()[-1])
        twin.stop()
    assert path.name.endswith("~2.pcapng")
    summary = summarize(open_review(path))
    assert len(summary["parts"]) == 2 and not summary["damage"]
    states = {command["id"]: command["state"] for command in summary["commands"]}
    assert states[id] == "abandoned"
    assert states[last] == "abandoned", "an arm does not survive a restart"
    assert "the station was restarted" in next(c["state_text"] for c in summary["commands"] if c["id"] == last)


async def killed_with_an_arm(port: str, token: str, process: Process) -> str:
    """Arm, wait until the disk has it, and kill the station with the desk still connected."""
    origin = f"http://127.0.0.1:{port}"
    async with connect(f"ws://127.0.0.1:{port}/ws/desk", origin=origin) as desk:
        await desk.send(json.dumps({"type": "sign_in", "token": token, "name": "operator"}))
        await desk.send(json.dumps({"type": "arm", "n": 1, "command": "board_release", "args": {}}))
        while (answer := json.loads(await desk.recv()))["type"] != "reply":
            continue
        assert answer["ok"], answer
        await asyncio.sleep(0.4)
        process.process.kill()
        process.process.wait()
        return answer["id"]
