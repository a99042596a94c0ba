"""The operator's socket over a real server: seats, hand-over, the two-person rule (the rest: test_routes)."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

from websockets.asyncio.client import ClientConnection, connect

from tests.browser.station import Process, eventually

RULE = "by the two-person rule another signed-in person confirms what the holder of authority got ready"


async def ask(desk: ClientConnection, **request: object) -> dict[str, object]:
    """Send one request and return its reply, passing over what the station says by itself."""
    await desk.send(json.dumps({"n": 1, **request}))
    while (answer := json.loads(await asyncio.wait_for(desk.recv(), 5)))["type"] != "reply":
        continue
    return answer


async def sign_in(port: str, token: str, name: str) -> ClientConnection:
    """Open a desk and sign in."""
    desk = await connect(f"ws://127.0.0.1:{port}/ws/desk", origin=f"http://127.0.0.1:{port}")
    await desk.send(json.dumps({"type": "sign_in", "token": token, "name": name}))
    while json.loads(await asyncio.wait_for(desk.recv(), 5))["type"] != "signed_in":
        continue
    return desk


async def armed(desk: ClientConnection) -> str:
    """Arm the release of the firing board, waiting for fresh telemetry."""
    for _ in range(60):
        reply = await ask(desk, type="arm", command="board_release", args={})
        if reply["ok"]:
            return str(reply["id"])
        await asyncio.sleep(0.1)
    raise AssertionError(reply)


async def two_people(port: str, first: str, second: str) -> None:
    ada, ben, tab = await sign_in(port, first, "Ada"), await sign_in(port, second, "Ben"), await sign_in(port, first, "Ada")
    id = await armed(ada)
    await asyncio.sleep(0.4)
    confirm = {"type": "confirm", "id": id, "command": "board_release", "args": {}}
    assert (await ask(ada, **confirm))["sentence"] == RULE
    assert (await ask(tab, **confirm))["sentence"] == RULE, "a second tab of the first person is not a second person"
    assert (await ask(ben, **confirm))["sentence"] == "Release firing board confirmed"
    # Hand-over: to somebody signed in, and only by the holder.
    assert not (await ask(ben, type="give", to="Ben 1"))["ok"]
    assert not (await ask(ada, type="give", to="Nobody 1"))["ok"]
    assert (await ask(ada, type="give", to="Ben 1"))["sentence"] == "Ben 1 holds command authority"
    assert "Ben 1 holds it" in (await ask(ada, type="send", command="ping", args={}))["sentence"]
    assert (await ask(ben, type="send", command="ping", args={}))["ok"]
    for desk in (ada, ben, tab):
        await desk.close()


def test_two_people_and_a_hand_over(tmp_path: Path) -> None:
    twin = Process(tmp_path, "twin", "--listen", "socket://127.0.0.1:0", "--rate", "5", "--ignite-after", "5000")
    url = twin.line(r"(socket://\S+)")[1]
    station = Process(tmp_path, "live", "--port", url, "--two-person", "--no-browser", "--http-port", "0")
    try:
        port, first = station.line(r"First page.*http://127\.0\.0\.1:(\d+)/#operator=(\S+)").groups()
        second = station.line(r"Second page.*#operator=(\S+)")[1]
        eventually(lambda: first != second)
        asyncio.run(two_people(port, first, second))
    finally:
        station.stop()
        twin.stop()
