"""Faults at the page's side: many, slow and sleeping viewers, a browser that dies, strange messages, strangers."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import socket
import struct
import time
import urllib.error
import urllib.request
from urllib.parse import urlsplit

import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from tests.browser.station import eventually
from tests.faults.case import Seen, case
from tests.faults.pad import Operator, Pad, Watcher


def raw_viewer(pad: Pad, path: str = "/ws/view", receive_bytes: int | None = None, **headers: str) -> socket.socket:
    """Return a socket on which a WebSocket handshake has been asked for, by hand."""
    place = urlsplit(pad.address)
    plain = socket.socket()
    if receive_bytes is not None:
        plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
    plain.settimeout(20)
    plain.connect((place.hostname, place.port))
    asked = {
        "Host": place.netloc,
        "Origin": pad.address.rstrip("/"),
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": base64.b64encode(os.urandom(16)).decode(),
        **headers,
    }
    lines = "".join(f"{name}: {value}\r\n" for name, value in asked.items() if value)
    plain.sendall(f"GET {path} HTTP/1.1\r\n{lines}\r\n".encode())
    return plain


def answer_line(plain: socket.socket) -> str:
    """Return the status line of the answer."""
    data = b""
    while b"\r\n\r\n" not in data:
        piece = plain.recv(1)
        if not piece:
            break
        data += piece
    return data.split(b"\r\n")[0].decode()


def up(watcher: Watcher) -> None:
    """Wait until the link is up on a viewer's page."""
    eventually(lambda: watcher.beat.get("link", {}).get("state") == "up", 20)


@case(
    "32", "many viewers", "60 real connections (300 in tests/bench/viewers.py)", "each gets every row", long=3, on_pad=True
)
def many(pad: Pad, number: int) -> Seen:
    count = 10 if number == 0 else 60
    watchers = [pad.watcher() for _ in range(count)]
    up(watchers[0])
    eventually(lambda: all(watcher.counts.get("control", 0) > 20 for watcher in watchers), 30)
    pad.talking = False
    first = [watcher.hello["cursor"]["control"] for watcher in watchers]
    eventually(lambda: len({w.counts["control"] + f for w, f in zip(watchers, first, strict=True)}) == 1, 20)
    for watcher in watchers:
        watcher.close()
    return Seen(f"{count} viewers, none lacks a row")


@case("33", "viewer stops reading", "a socket with a 4 kB buffer that never reads", "others get all", long=5, on_pad=True)
def never_reads(pad: Pad, number: int) -> Seen:
    stuck = [raw_viewer(pad, receive_bytes=4096) for _ in range(3)]
    watcher = pad.watcher()
    up(watcher)
    before = watcher.counts.get("control", 0)
    for _ in range(20):
        with pad._lock:
            pad.send(b"".join(pad.frame("navigation") for _ in range(100)))
    eventually(lambda: watcher.counts.get("control", 0) > before + 20, 20)
    pad.talking = False
    eventually(lambda: watcher.counts.get("navigation", 0) >= 2000, 20)
    viewers = watcher.beat["viewers"]
    for plain in stuck:
        plain.close()
    eventually(lambda: watcher.beat["viewers"] <= viewers - 3, 20)
    watcher.close()
    return Seen("2000 rows at the other viewer, none lost; the stuck ones freed when gone")


@case(
    "34",
    "tab asleep",
    "a viewer that does not read for 3 s at 1000 packets/s",
    "newest state soon, no old state live",
    long=4,
    on_pad=True,
)
def asleep(pad: Pad, number: int) -> Seen:
    with connect(
        f"ws{pad.address[4:]}ws/view", origin=pad.address.rstrip("/"), max_size=None, max_queue=1, ping_interval=None
    ) as page:
        page.recv(timeout=20)
        until = time.monotonic() + (1.5 if number == 0 else 3.0)
        while time.monotonic() < until:
            pad.send(b"".join(pad.frame("navigation") for _ in range(100)))
            time.sleep(0.1)
        watcher = pad.watcher()
        now_s, messages, size, seen_s = watcher.hello["rx_now"], 0, 0, 0.0
        while seen_s < now_s:
            text = page.recv(timeout=20)
            messages, size = messages + 1, size + len(text)
            seen_s = json.loads(text)["rx_now"]
        watcher.close()
    return Seen(f"newest state after {messages} messages, {size / 1e6:.1f} MB")


@case(
    "35", "browser killed while armed", "the desk socket is cut without a goodbye", "disarmed at once", long=10, on_pad=True
)
def browser_killed(pad: Pad, number: int) -> Seen:
    watcher, ada = pad.watcher(), pad.operator()
    armed = ada.arm()
    assert armed["ok"]
    ada._socket.socket.shutdown(socket.SHUT_RDWR)
    eventually(lambda: _state(watcher, armed["id"]) not in (None, "armed"), 20)
    ben = pad.operator("Ben")
    ben.ask("take")
    assert not ben.ask("confirm", id=armed["id"], command="board_release", args={})["ok"]
    ben.close()
    with contextlib.suppress(ConnectionClosed, OSError):
        ada.close()
    state = _state(watcher, armed["id"])
    watcher.close()
    return Seen(f"{state}; another's confirm refused")


def _state(watcher: Watcher, id: str) -> str | None:
    states = [entry["body"]["state"] for entry in watcher.journal if entry["topic"] == "command" and entry["key"] == id]
    return states[-1] if states else None


@case(
    "36", "two operators, double click", "Ben confirms Ada's; Ada confirms twice at once", "one frame for one pair of acts",
    long=10, on_pad=True,
)  # fmt: skip
def double_click(pad: Pad, number: int) -> Seen:
    watcher, ada, ben = pad.watcher(), pad.operator(), pad.operator("Ben")
    armed = ada.arm()
    assert armed["ok"]
    time.sleep(0.35)  # a confirmation within 0.3 s is refused as a double click of the first act
    theirs = ben.ask("confirm", id=armed["id"], command="board_release", args={})
    assert not theirs["ok"]
    counters = len(pad.vehicle.executed)
    first = ada.ask("confirm", id=armed["id"], command="board_release", args={})
    second = ada.ask("confirm", id=armed["id"], command="board_release", args={})
    assert first["ok"] and not second["ok"], (first, second)
    eventually(lambda: _state(watcher, armed["id"]) not in (None, "armed", "queued", "sent", "accepted"), 20)
    done = [executed for executed in pad.vehicle.executed[counters:] if executed.command == "board_release"]
    assert len(done) == 1
    pad.allowed_hazardous = pad.hazardous_frames()  # this one was meant, with its identical repeats
    assert pad.allowed_hazardous > 0, "a count that sees none would find none anywhere"
    ada.ask("safe_all")
    eventually(lambda: pad.vehicle.inhibited, 20)
    for one in (ada, ben, watcher):
        one.close()
    return Seen(f"1 execution; second confirm: {second['sentence']}")


BOMB = b"\x81\xfe" + struct.pack(">H", 60000) + b"\0\0\0\0" + b"x" * 60000
FRAMES = {
    "200 kB in one frame": (b"\x81\xff" + struct.pack(">Q", 200_000) + b"\0\0\0\0" + b"x" * 200_000, 1009),
    "fragments of 120 kB": (b"\x01" + BOMB[1:] + b"\x00" + BOMB[1:], 1009),
    "bad UTF-8": (b"\x81\x82\0\0\0\0\xff\xfe", 1007),
    "unmasked": (b"\x81\x02hi", 1002),
    "reserved bit": (b"\xf1\x82\0\0\0\0hi", 1002),
}


@case("37", "broken WebSocket frames", f"{', '.join(FRAMES)}", "closed with the right code, others unaffected", on_pad=True)
def broken_frames(pad: Pad, number: int) -> Seen:
    watcher = pad.watcher()
    codes = []
    for frame, code in FRAMES.values():
        for path in ("/ws/view", "/ws/desk"):
            plain = raw_viewer(pad, path)
            assert "101" in answer_line(plain)
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                plain.sendall(frame)
            codes.append(_close_code(plain))
            plain.close()
            assert codes[-1] in (code, None), (path, code, codes[-1])  # None: reset before its close could be read
    assert set(codes) >= {code for _, code in FRAMES.values()}, codes
    assert pad.alive()
    up(watcher)
    watcher.close()
    return Seen(f"closed with {', '.join(sorted({str(code) for code in codes if code}))}")


def _close_code(plain: socket.socket) -> int | None:
    """Return the code of the close frame the server sends, None when the connection just ends."""
    data = b""
    with contextlib.suppress(ConnectionResetError):
        while piece := plain.recv(65536):
            data += piece
    place = 0
    while place + 2 <= len(data):
        kind, size = data[place] & 15, data[place + 1] & 127
        place += 2
        if size > 125:
            width = 2 if size == 126 else 8
            size, place = int.from_bytes(data[place : place + width], "big"), place + width
        if kind == 8:
            return int.from_bytes(data[place : place + 2], "big")
        place += size
    return None


STRANGE = [
    "", "null", "[]", "1e999", '"x"', "{", '{"type":1}', '{"type":"fire"}', "[" * 20000, "9" * 10000, '{"a":' * 5000,
    '{"type":"arm","command":NaN,"args":{"channel":1e999}}', '{"type":"arm","command":"board_release","args":[1]}',
    '{"type":"confirm","type":"arm","command":"board_release","command":"x","args":{}}', '{"type":"give","to":{"a":1}}',
    '{"type":"arm","command":"channel_fire","args":{"channel":true}}', '{"type":"mark","text":"\\ud800<b>"}',
    '{"type":"trial","what":["x"]}', '{"type":"send","command":"__class__","args":{"__init__":1}}',
    '{"type":"safe_all ","n":1}',
]  # fmt: skip


@case("38", "strange JSON", f"{len(STRANGE)} messages at the desk", "each answered or refused, none acted on", on_pad=True)
def strange_json(pad: Pad, number: int) -> Seen:
    ada = pad.operator()
    ada.ask("take")
    refused = 0
    for text in STRANGE:
        ada.say(text)
        reply = ada.answer()
        refused += not reply["ok"]
    ada.say("\N{ROCKET}" * 10)
    assert not ada.answer()["ok"] and ada.ask("mark", text="still here")["ok"]
    ada.close()
    return Seen(f"{refused} of {len(STRANGE)} refused, the others marks; the desk goes on")


@case("39", "strangers", "foreign Origin, foreign Host, no Origin, wrong token", "refused", on_pad=True)
def strangers(pad: Pad, number: int) -> Seen:
    seen = []
    tries = {"Origin": "http://elsewhere.invalid", "Host": "rebound.invalid:80"}
    for name, value in tries.items():
        plain = raw_viewer(pad, "/ws/desk", **{name: value})
        seen.append(answer_line(plain).split()[1])
        plain.close()
    plain = raw_viewer(pad, "/ws/desk", Origin="")
    seen.append(answer_line(plain).split()[1])
    plain.close()
    assert seen == ["403"] * 3
    with pytest.raises(urllib.error.HTTPError, match="421"):
        urllib.request.urlopen(urllib.request.Request(pad.address, headers={"Host": "rebound.invalid"}))
    begun = time.monotonic()
    with pytest.raises((ConnectionClosed, InvalidStatus)):
        Operator(pad.address, "A" * 43)
    slowed_s = time.monotonic() - begun
    assert all(pad.token not in line for line in pad.station.lines if "operator=" not in line)
    return Seen(f"403 for all three sockets, 421 for the name; wrong token refused after {slowed_s:.1f} s")


@case(
    "40", "slow and half-open clients", "200 idle connections, some with half a request", "the page is served", on_pad=True
)
def half_open(pad: Pad, number: int) -> Seen:
    place = urlsplit(pad.address)
    idle = [socket.create_connection((place.hostname, place.port)) for _ in range(200)]
    for plain in idle[::2]:
        plain.sendall(b"GET / HTTP/1.1\r\nHost: ")
    begun = time.monotonic()
    assert pad.alive()
    watcher = pad.watcher()
    up(watcher)
    took_s = time.monotonic() - begun
    watcher.close()
    for plain in idle:
        plain.close()
    return Seen(f"page and viewer served beside them in {took_s:.1f} s")
