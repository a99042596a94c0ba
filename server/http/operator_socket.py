"""The operator's socket: signing in, and one reply for every request. Translation only; the station decides.

A page signs in with the token of the link that was printed for a person's seat. Everything it asks afterwards is an act
of that operator, answered once, and slowed down when it comes too fast.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from contextlib import suppress
from typing import Any

from fastapi import APIRouter, WebSocket, WebSocketDisconnect

from protocol.errors import ValueRefused
from server.http.context import PageContext, Site
from server.http.messages import DESK_REQUESTS
from server.json_text import to_json
from server.live.station import Station
from server.uplink.command_entry import Reply

SIGN_IN_WITHIN_S = 10.0
REQUESTS_PER_S = 30
# Our choice: what a page asks within some seconds by a key held down. What comes on top of it is refused.
WAITING_AT_MOST = 64
OPERATORS_AT_MOST = 8


Request = dict[str, Any] | None
"""What a page asked; None for what is no request at all."""

router = APIRouter()


@router.websocket("/ws/desk")
async def desk(socket: WebSocket, site: Site) -> None:
    """Serve one operator: sign in, then one reply for every request."""
    station = site.station
    if station is None:
        await socket.close(1013, "nothing can be commanded here")
        return
    await socket.accept()
    signed_in = await _signed_in(socket, site)
    if signed_in is None:
        return
    operator, seat = signed_in
    site.operators[operator] = socket
    try:
        station.sign_in(operator, seat)
        tell_authority(site)
        authority = _authority(site, station, operator)
        await socket.send_text(_text({"type": "signed_in", "operator": operator, "authority": authority}))
        await _serve_desk(socket, site, station, operator)
    except (WebSocketDisconnect, RuntimeError, OSError):
        return
    except KeyError:  # bytes came where a text is due
        await socket.close(1003, "the desk takes texts only")
    finally:
        site.operators.pop(operator, None)
        station.leave(operator)
        tell_authority(site)


async def _signed_in(socket: WebSocket, site: PageContext) -> tuple[str, str] | None:
    """Return the operator's name and seat after a right token, or close the socket; a wrong token costs time."""
    try:
        request = _request(await asyncio.wait_for(socket.receive_text(), SIGN_IN_WITHIN_S))
    except (WebSocketDisconnect, RuntimeError):
        return None
    except (TimeoutError, KeyError):  # KeyError: bytes came where a text is due
        await socket.close(1008, "no sign-in came")
        return None
    if request is None or request.get("type") != "sign_in":
        request = {}  # counts as a wrong token
    given = request.get("token")
    source = socket.client.host if socket.client else "?"
    verdict = site.guard.check(given, source, asyncio.get_running_loop().time())
    if verdict.seat is None:
        await asyncio.sleep(verdict.wait_s)
        await socket.close(1008, "the operator token is not right; use the link printed in the terminal")
        return None
    if len(site.operators) >= OPERATORS_AT_MOST:
        await socket.close(1013, "too many operators are signed in")
        return None
    return _free_name(request.get("name"), site), verdict.seat


def _free_name(wanted: object, site: PageContext) -> str:
    base = "".join(c for c in str(wanted or "") if c.isprintable())[:24].strip() or "operator"
    number = 1
    while f"{base} {number}" in site.operators:
        number += 1
    return f"{base} {number}"


async def _serve_desk(socket: WebSocket, site: PageContext, station: Station, operator: str) -> None:
    """Read all that comes at once, so that Safe all waits behind nothing; do the rest one by one, and not too fast."""
    waiting: asyncio.Queue[Request] = asyncio.Queue(WAITING_AT_MOST)
    both = {
        asyncio.ensure_future(_read_all(socket, site, station, operator, waiting)),
        asyncio.ensure_future(_do_one_by_one(socket, site, station, operator, waiting)),
    }
    try:
        ended, _ = await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
        ended.pop().result()
    finally:
        for task in both:
            task.cancel()
        await asyncio.gather(*both, return_exceptions=True)


async def _read_all(
    socket: WebSocket, site: PageContext, station: Station, operator: str, waiting: asyncio.Queue[Request]
) -> None:
    while True:
        request = _request(await socket.receive_text())
        if request is not None and _is_safe_all(station, request):
            await _reply(socket, request, _answer(site, station, operator, request))
            while not waiting.empty():
                await _reply(socket, waiting.get_nowait(), _refused("dropped by safe all; ask again"))
        elif waiting.full():
            await _reply(socket, request, _refused("asked too fast; wait a moment"))
        else:
            waiting.put_nowait(request)
        await asyncio.sleep(0)  # a page that never pauses must leave others their turn


async def _do_one_by_one(
    socket: WebSocket, site: PageContext, station: Station, operator: str, waiting: asyncio.Queue[Request]
) -> None:
    loop = asyncio.get_running_loop()
    recent: deque[float] = deque(maxlen=REQUESTS_PER_S)
    while True:
        if len(recent) == REQUESTS_PER_S and loop.time() - recent[0] < 1.0:
            await asyncio.sleep(1.0 - (loop.time() - recent[0]))
        request = await waiting.get()  # after the pause: until then Safe all can drop it
        recent.append(loop.time())
        if request is None or request.get("type") not in DESK_REQUESTS:
            await _reply(socket, None, _refused("this request is not understood"))
        elif _wants_a_trip(site, station, request) and not station.trips.is_known:
            task = asyncio.ensure_future(_first_act(socket, site, station, operator, request))
            site.sending.add(task)  # beside: nothing else this page asks must wait behind it
            task.add_done_callback(site.sending.discard)
        else:
            await _reply(socket, request, _answer(site, station, operator, request))


def _refused(sentence: str) -> dict[str, Any]:
    return {"ok": False, "sentence": sentence, "id": None}


async def _reply(socket: WebSocket, request: Request, answer: dict[str, Any] | None) -> None:
    """Answer a request; a page that only says that it is there waits for no answer."""
    if answer is None or (request is not None and request.get("type") in ("alive", "sign_in")):
        return
    number = None if request is None else _number(request.get("n"))
    await socket.send_text(_text({"type": "reply", "n": number, **answer}))


def _is_safe_all(station: Station, request: dict[str, Any]) -> bool:
    """Tell whether this asks for Safe all, by its own act or as the command of the dictionary."""
    command = station.dictionary.commands.get(str(request.get("command"))) if request.get("type") == "send" else None
    return request.get("type") == "safe_all" or (command is not None and command.safes_all)


def _wants_a_trip(site: PageContext, station: Station, request: dict[str, Any]) -> bool:
    """Tell whether this is a first act for something that is not routine."""
    if request["type"] == "arm":
        command = station.dictionary.commands.get(str(request.get("command")))
        return command is not None and command.hazard != "routine"
    plan = site.trials.plans.get(str(request.get("plan"))) if site.trials is not None else None
    first = request["type"] == "trial" and request.get("act") == "arm"
    return first and plan is not None and plan.hazard() != "routine"


async def _first_act(socket: WebSocket, site: PageContext, station: Station, operator: str, request: dict[str, Any]) -> None:
    """Get something ready once the vehicle has answered, which a first act wants; not if something disarmed meanwhile."""
    if await station.trips.known():
        answer = _answer(site, station, operator, request)
    else:
        answer = {"ok": False, "sentence": "something disarmed meanwhile; get it ready again", "id": None}
    await _send_if_there(socket, _text({"type": "reply", "n": _number(request.get("n")), **(answer or {})}))


def _answer(site: PageContext, station: Station, operator: str, request: dict[str, Any]) -> dict[str, Any] | None:
    station.authority.alive(operator, station.now_s())
    kind = request["type"]
    if kind in ("alive", "sign_in"):
        return None
    if kind == "check":
        return _check(station, request)
    if kind == "mark":
        return _reply_shape(station, station.mark(operator, str(request.get("text", ""))))
    if kind == "acknowledge":
        return _reply_shape(station, station.acknowledge(operator, request.get("alarms")))
    if kind == "trial":
        return _trial(site, operator, request)
    if kind == "pad":
        return _pad(site, operator, request)
    if kind == "count":
        return _count(site, operator, request)
    return _reply_shape(station, station.act(operator, kind, request))


def _trial(site: PageContext, operator: str, request: dict[str, Any]) -> dict[str, Any]:
    if site.trials is None:
        return {"ok": False, "sentence": "this station runs no trials", "id": None}
    return site.trials.answer(operator, request)


def _pad(site: PageContext, operator: str, request: dict[str, Any]) -> dict[str, Any]:
    if site.pad is None:
        return {"ok": False, "sentence": "this station was started without a pad sheet", "id": None}
    reply = site.pad.answer(operator, request)
    return {"ok": reply.ok, "sentence": reply.sentence, "id": reply.id}


def _count(site: PageContext, operator: str, request: dict[str, Any]) -> dict[str, Any]:
    if site.count is None:
        return {"ok": False, "sentence": "this station keeps no count", "id": None}
    reply = site.count.answer(operator, request)
    return {"ok": reply.ok, "sentence": reply.sentence, "id": reply.id}


def _number(n: object) -> int | None:
    """Return a request's number as the reply carries it back; a page counts, anything else is not echoed."""
    return n if isinstance(n, int) and not isinstance(n, bool) and abs(n) < 1 << 53 else None


def _check(station: Station, request: dict[str, Any]) -> dict[str, Any]:
    command, args = str(request.get("command")), request.get("args")
    described = station.dictionary.commands.get(command)
    if described is None or not isinstance(args, dict):
        return {"ok": False, "sentence": "there is no such command", "interlocks": [], "ready": False}
    try:
        described.pack_args(args)
    except ValueRefused as error:
        return {"ok": False, "sentence": str(error), "interlocks": [], "ready": False}
    checks = station.checks(command, args)
    return {"ok": True, "interlocks": [c.as_dict() for c in checks], "ready": all(c.met for c in checks)}


def _reply_shape(station: Station, reply: Reply) -> dict[str, Any]:
    shape: dict[str, Any] = {"ok": reply.ok, "sentence": reply.sentence, "id": reply.id}
    if reply.checks:
        shape["interlocks"] = [check.as_dict() for check in reply.checks]
    view = station.command(reply.id) if reply.id is not None else None
    if view is not None:
        shape["expires_rx"], shape["earliest_confirm_rx"] = view.expires_rx, view.earliest_confirm_rx
    return shape


def _authority(site: PageContext, station: Station, operator: str) -> dict[str, Any]:
    holder = station.authority.holder
    others = [name for name in site.operators if name != operator]
    return {
        "holder": holder,
        "yours": holder == operator,
        "others": others,
        "two_person": station.two_person,
        "asks_leave": station.addressee.asks_leave,
    }


def tell_authority(site: PageContext) -> None:
    """Tell every operator's page who holds authority now, and who is signed in."""
    if site.station is None:
        return
    for operator, socket in site.operators.items():
        message = _text({"type": "authority", **_authority(site, site.station, operator)})
        task = asyncio.ensure_future(_send_if_there(socket, message))
        site.sending.add(task)
        task.add_done_callback(site.sending.discard)


async def _send_if_there(socket: WebSocket, message: str) -> None:
    with suppress(WebSocketDisconnect, RuntimeError, OSError):  # it left meanwhile; its own route cleans up
        await socket.send_text(message)


def _request(text: str) -> dict[str, Any] | None:
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return value if isinstance(value, dict) else None


def _text(value: dict[str, Any]) -> str:
    return to_json(value).decode()
