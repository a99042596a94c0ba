"""Faults of the wire: the radio is pulled out, is silent, speaks rubbish; the vehicle repeats, reboots, wraps, is two."""

from __future__ import annotations

import fcntl
import itertools
import math
import os
import random
import struct
import time

from protocol.checksum import append_crc
from protocol.framing import encode_frame
from protocol.packets import COUNT_MODULUS, TIME, telemetry_header
from tests.browser.station import eventually
from tests.faults.case import Seen, case
from tests.faults.pad import Pad, Watcher, hold_port

PORTS_AT_MOST = 64


def quiet(pad: Pad) -> None:
    """Stop the telemetry, so that only what the case sends is counted."""
    pad.talking = False
    time.sleep(0.1)


def surely_up(watcher: Watcher) -> None:
    """Wait until the link is up and rows come: a beat alone may still tell of the link before it was plugged in anew."""
    rows = watcher.counts.get("link", 0)
    eventually(lambda: watcher.counts.get("link", 0) > rows + 1, 20)
    eventually(lambda: watcher.link()["state"] == "up", 20)


def shown_after(pad: Pad, change: dict[str, int], data: bytes) -> dict[str, int]:
    """Send bytes while nothing else is sent; return by how much the totals on the page changed.

    A good frame goes last: when it is counted, all before it is.
    """
    quiet(pad)
    watcher = pad.watcher()
    try:
        eventually(lambda: watcher.beat and watcher.beat["rx_now"] > watcher.hello["rx_now"], 20)
        before = watcher.beat["link"]
        rows = watcher.counts.get("link", 0)
        pad.send(data + pad.frame("link"))
        eventually(lambda: watcher.counts.get("link", 0) > rows, 20)
        counted = watcher.beat
        eventually(lambda: watcher.beat is not counted and watcher.beat["link"]["packets"] > before["packets"], 20)
        after = watcher.beat["link"]
        seen = {name: after[name] - before[name] for name in ("packets", "damaged", "lost")}
        seen["packets"] -= 1
        assert all(seen[name] == value for name, value in change.items()), (seen, change)
        return seen
    finally:
        watcher.close()
        pad.talking = True


def told(seen: dict[str, int]) -> str:
    """Say the change of the totals."""
    return ", ".join(f"{value} {name}" for name, value in seen.items())


@case(
    "12a", "serial unplugged, idle", "the master of the pseudo-terminal is closed", "link lost, opened again by itself",
    long=40, on_pad=True,
)  # fmt: skip
def unplug_idle(pad: Pad, number: int) -> Seen:
    watcher = pad.watcher()
    quiet(pad)
    begun = time.monotonic()
    pad.unplug()
    eventually(lambda: watcher.beat.get("link", {}).get("state") in ("missing", "closed"), 20)
    told_s = time.monotonic() - begun
    pad.plug()
    pad.talking = True
    eventually(lambda: watcher.beat["link"]["state"] == "up", 20)
    watcher.close()
    return Seen(f"lost told after {told_s:.1f} s, back by itself")


@case(
    "12b", "serial unplugged in a frame", "closed after half of a frame", "as 12a; the next frame is good",
    long=40, on_pad=True,
)  # fmt: skip
def unplug_in_a_frame(pad: Pad, number: int) -> Seen:
    quiet(pad)
    frame = pad.frame("control")
    pad.send(frame[: 1 + number % (len(frame) - 1)])
    time.sleep(0.05)
    pad.unplug()
    pad.plug()
    watcher = pad.watcher()
    pad.talking = True
    eventually(lambda: watcher.counts.get("control", 0) >= 2, 20)
    watcher.close()
    return Seen("good frames again at once")


@case(
    "12c", "serial unplugged in a write", "closed while commands are going up", "no command done that was not; back again",
    long=20, on_pad=True,
)  # fmt: skip
def unplug_in_a_write(pad: Pad, number: int) -> Seen:
    ada, watcher = pad.operator(), pad.watcher()
    ada.ask("take")
    eventually(lambda: watcher.beat.get("link", {}).get("state") == "up", 20)
    executed = len(pad.vehicle.executed)
    pad.listening = False
    ids = [ada.ask("send", command="ping", args={})["id"] for _ in range(3)]
    pad.unplug()
    eventually(lambda: _finals(watcher, ids) is not None, 30)
    states = _finals(watcher, ids)
    assert len(pad.vehicle.executed) == executed and "completed" not in states and "verified" not in states
    pad.listening = True
    pad.plug()
    eventually(lambda: watcher.beat["link"]["state"] == "up", 20)
    ada.close()
    watcher.close()
    return Seen(f"ended as {', '.join(sorted(set(states)))}")


def _finals(watcher: object, ids: list[str]) -> list[str] | None:
    state = {entry["key"]: entry["body"]["state"] for entry in watcher.journal if entry["topic"] == "command"}
    states = [state.get(id, "") for id in ids]
    return states if not set(states) & {"", "queued", "sent", "preparing", "accepted"} else None


@case(
    "12d", "unplug storm", "10 times out and in, 0 to 50 ms apart", "station lives, nothing recorded is damaged",
    long=10, on_pad=True,
)  # fmt: skip
def unplug_storm(pad: Pad, number: int) -> Seen:
    rng = random.Random(number)
    for _ in range(9):
        pad.unplug()
        time.sleep(rng.uniform(0, 0.05))
        pad.talking = False
        pad._insert_terminal()
        time.sleep(rng.uniform(0, 0.05))
    pad.unplug()
    pad.plug()
    pad.talking = True
    watcher = pad.watcher()
    eventually(lambda: watcher.beat.get("link", {}).get("state") == "up", 20)
    watcher.close()
    assert pad.alive()
    return Seen("up again after the storm")


@case("13", "back under another name", "the link points to a new terminal", "opened by the name given", long=20, on_pad=True)
def other_name(pad: Pad, number: int) -> Seen:
    was = now = os.readlink(pad.radio)
    held: list[tuple[int, int]] = []
    while now == was:
        # The system gives the lowest number that is free, and others take and leave numbers meanwhile: all up to the old
        # one are taken, and where another had that and left it since, it is tried again.
        pad.unplug()
        held.append(os.openpty())
        while os.ttyname(held[-1][1]) != was and len(held) < PORTS_AT_MOST:
            held.append(os.openpty())
        pad.plug()
        now = os.readlink(pad.radio)
    for descriptor in itertools.chain.from_iterable(held):
        os.close(descriptor)
    return Seen("found under the new name")


@case("14", "port busy", "another process's lock on the terminal", "told so, opened when free", long=5, on_pad=True)
def port_busy(pad: Pad, number: int) -> Seen:
    lines = len(pad.station.lines)
    pad.unplug()

    def hold(slave: int) -> None:
        hold_port(slave)
        eventually(lambda: any("in use by another program" in line for line in pad.station.lines[lines:]), 20)
        fcntl.flock(slave, fcntl.LOCK_UN)

    # the lock is taken before the name is there
    pad.plug(hold)
    return Seen("'is in use by another program', then opened")


@case("15", "port silent, no exception", "nothing is written for 3 s", "link silent is told; up again", long=5, on_pad=True)
def silent(pad: Pad, number: int) -> Seen:
    watcher = pad.watcher()
    eventually(lambda: watcher.beat.get("link", {}).get("state") == "up", 20)
    quiet(pad)
    sentence = watcher.wait_for("link lost: ")
    pad.talking = True
    watcher.wait_for("the vehicle is heard again")
    watcher.close()
    return Seen(sentence.rpartition("/")[2])


@case(
    "16", "write blocked", "the terminal's outgoing buffer is filled", "unknown or failed, never done; link goes on",
    long=5, on_pad=True,
)  # fmt: skip
def write_blocked(pad: Pad, number: int) -> Seen:
    ada, watcher = pad.operator(), pad.watcher()
    ada.ask("take")
    surely_up(watcher)
    pad.listening = False
    os.set_blocking(pad.slave, False)
    try:
        while os.write(pad.slave, b"\xff" * 1024):
            pass
    except BlockingIOError:
        pass
    executed = len(pad.vehicle.executed)
    ids = [ada.ask("send", command="ping", args={})["id"]]
    quiet(pad)  # a write that times out has the port opened anew, which drops what lies unread in it
    eventually(lambda: _finals(watcher, ids) is not None, 30)
    states = _finals(watcher, ids)
    assert len(pad.vehicle.executed) == executed and not set(states) & {"completed", "verified"}
    pad.unplug()  # what filled the buffer is no transmission of the station
    pad.plug()
    pad.listening = pad.talking = True
    surely_up(watcher)
    ada.close()
    watcher.close()
    return Seen(f"ended as {states[0]}")


@case("17", "ground radio resets on open", "300 bytes of start-up text", "no false packet, next good", long=20, on_pad=True)
def banner(pad: Pad, number: int) -> Seen:
    text = b"Radio modem, invented\r\nready\r\n" * 10
    return Seen(told(shown_after(pad, {"packets": 1, "damaged": 1}, text + b"\0" + pad.frame("control"))))


@case("18", "another program sends AT commands", "'AT\\r' downlink", "no false packet, counted", long=20, on_pad=True)
def at_commands(pad: Pad, number: int) -> Seen:
    return Seen(told(shown_after(pad, {"packets": 1, "damaged": 1}, b"AT\r\n\0" + pad.frame("control"))))


@case("19", "random bytes", "64 kB, another seed each time", "0 false packets, next frame good", long=16, on_pad=True)
def garbage(pad: Pad, number: int) -> Seen:
    noise = random.Random(number).randbytes(64 << 10)
    seen = shown_after(pad, {"packets": 1}, noise + b"\0" + pad.frame("control"))
    return Seen(told(seen))


@case("20", "bit flips", "every bit of one frame, one at a time", "each counted, next frames fine", long=1, on_pad=True)
def bit_flips(pad: Pad, number: int) -> Seen:
    frame = pad.frame("control")
    flipped = [
        frame[: bit // 8] + bytes([frame[bit // 8] ^ 1 << bit % 8]) + frame[bit // 8 + 1 :] for bit in range(8 * len(frame))
    ]
    data = b"".join(one + b"\0" for one in flipped) + pad.frame("control")
    # The first eight delimiters' flips merge with nothing: each copy is closed by a zero of its own.
    seen = shown_after(pad, {"packets": 1}, data)
    assert seen["damaged"] >= len(flipped) - 8
    return Seen(told(seen))


@case("21", "cut, merged and split frames", "cut at every byte; then byte by byte", "only the cut ones", long=3, on_pad=True)
def cut_frames(pad: Pad, number: int) -> Seen:
    frame = pad.frame("control").strip(b"\0")
    cuts = b"".join(frame[:size] + b"\0" for size in range(1, len(frame)))
    seen = shown_after(pad, {"packets": 1, "damaged": len(frame) - 1}, cuts + pad.frame("control"))
    watcher = pad.watcher()
    quiet(pad)
    before = watcher.link()
    for byte in pad.frame("control"):
        pad.send(bytes([byte]))
        time.sleep(0.001)
    eventually(lambda: watcher.beat["link"]["packets"] == before["packets"] + 1, 20)
    watcher.close()
    pad.talking = True
    return Seen(f"{told(seen)}; byte by byte: 1 packet")


@case("22", "doubled frames", "a frame three times", "shown once", long=20, on_pad=True)
def doubled(pad: Pad, number: int) -> Seen:
    return Seen(told(shown_after(pad, {"packets": 1, "damaged": 0}, pad.frame("control") * 3)))


@case(
    "23",
    "frames out of order",
    "five frames, shuffled",
    "all five shown (overtaken ones count as lost)",
    long=20,
    on_pad=True,
)
def shuffled(pad: Pad, number: int) -> Seen:
    frames = [pad.frame("control") for _ in range(5)]
    random.Random(number).shuffle(frames)
    return Seen(told(shown_after(pad, {"packets": 5, "damaged": 0}, b"".join(frames))))


@case("24", "oversized length", "length field 0xFFFF, then 100 kB without end", "dropped, next good", long=5, on_pad=True)
def oversized(pad: Pad, number: int) -> Seen:
    packet = pad.dictionary.packets["control"]
    body = TIME.pack(1) + bytes(packet.layout.size)
    long_field = bytearray(telemetry_header(packet.apid, 1, len(body)))
    long_field[4:6] = b"\xff\xff"
    data = encode_frame(append_crc(bytes(long_field) + body)) + b"\x7f" * 100_000 + b"\0"
    return Seen(told(shown_after(pad, {"packets": 1, "damaged": 2}, data + pad.frame("control"))))


@case("25", "flood", "200 kB/s for 2 s with a command in it", "recorded whole; the command goes", long=5, on_pad=True)
def flood(pad: Pad, number: int) -> Seen:
    ada, watcher = pad.operator(), pad.watcher()
    ada.ask("take")
    eventually(lambda: watcher.beat.get("link", {}).get("state") == "up", 20)
    before = _resident_kb(pad.pid)
    begun, size, executed = time.monotonic(), 0, len(pad.vehicle.executed)
    ada.ask("send", command="ping", args={})
    while size < 400_000:
        block = b"".join(pad.frame("control") for _ in range(100))
        pad.send(block)
        size += len(block)
        time.sleep(max(0.0, begun + size / 200_000 - time.monotonic()))
    eventually(lambda: len(pad.vehicle.executed) == executed + 1, 20)
    took_s = time.monotonic() - begun
    eventually(lambda: pad.alive(), 20)
    grown = _resident_kb(pad.pid) - before
    ada.close()
    watcher.close()
    return Seen(f"{size / took_s / 1000:.0f} kB/s, command carried out, memory +{grown / 1024:.0f} MB")


def _resident_kb(pid: int) -> int:
    with open(f"/proc/{pid}/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))


STRANGE = [math.nan, math.inf, -math.inf, 5e-324, -0.0, 3.4e38, -3.4e38]


@case("27", "impossible numbers", "NaN, inf, denormal, -0, huge in every float", "shown as such", long=10, on_pad=True)
def impossible(pad: Pad, number: int) -> Seen:
    watcher = pad.watcher()
    names = [channel.name for channel in pad.dictionary.packets["navigation"].channels]
    for value in STRANGE:
        pad.send(pad.frame("navigation", **dict.fromkeys(names, value)))
    eventually(lambda: watcher.counts.get("navigation", 0) >= len(STRANGE), 20)
    eventually(lambda: watcher.beat, 20)
    assert pad.alive() and watcher.beat["rx_now"] > 0  # every message was valid JSON, or the watcher would have ended
    watcher.close()
    return Seen(f"{len(STRANGE)} rows shown, messages valid")


@case("28", "counter wrap", "sequence counts 16380 to 3", "no loss told", long=5, on_pad=True)
def wrap(pad: Pad, number: int) -> Seen:
    quiet(pad)
    counts = pad.vehicle.link._counts
    for count in (COUNT_MODULUS // 2, COUNT_MODULUS - 4):  # the jumps to there are gaps; the wrap must be none
        counts["recovery"] = count
        pad.send(pad.frame("recovery"))
    frames = b"".join(pad.frame("recovery") for _ in range(8))
    return Seen(told(shown_after(pad, {"packets": 8, "lost": 0}, frames)))


@case("29", "vehicle reboots", "another boot id, clock near zero", "told; what is ready is dropped", long=10, on_pad=True)
def reboot(pad: Pad, number: int) -> Seen:
    ada, watcher = pad.operator(), pad.watcher()
    armed = ada.arm()
    assert armed["ok"], armed
    with pad._lock:
        pad._begun = time.monotonic()
        pad.vehicle.now_s = 0.0
        pad._put(b"".join(pad.vehicle.start(pad.vehicle.boot_id + 1)))
    sentence = watcher.wait_for("the vehicle restarted")
    reply = ada.ask("confirm", id=armed["id"], command="board_release", args={})
    assert not reply["ok"]
    ada.close()
    watcher.close()
    return Seen(f"'{sentence.partition(',')[0]}', confirm refused")


@case("30", "vehicle time goes backwards", "a frame 1.5 s older, then 60 s older", "taken as late", on_pad=True)
def backwards(pad: Pad, number: int) -> Seen:
    watcher = pad.watcher()
    eventually(lambda: watcher.counts.get("control", 0) > 0, 20)
    quiet(pad)
    packet = pad.dictionary.packets["recovery"]
    since = len(watcher.journal)
    with pad._lock:
        pad._begun -= 100.0  # the vehicle is on for long enough that the older frame is no start anew
        pad.vehicle.now_s += 100.0
    for back_ms in (0, 1500, 60_000):
        rows = watcher.counts.get("recovery", 0)
        pad.send(pad.vehicle.link.frame_of_fields(packet, pad.vehicle.ms - back_ms, bytes(packet.layout.size)))
        eventually(lambda: watcher.counts.get("recovery", 0) == rows + 1, 20)  # noqa: B023 - waited for at once
        assert sum("the vehicle restarted" in text for text in watcher.texts(since)) == 0
    watcher.close()
    return Seen("1.5 s, 60 s: shown, no restart")


@case("31", "two vehicles on one channel", "frames of another dictionary's APIDs", "told, never mixed", long=10, on_pad=True)
def two_vehicles(pad: Pad, number: int) -> Seen:
    free = next(apid for apid in range(100, 2000) if apid not in pad.dictionary.packet_by_apid)
    watcher = pad.watcher()
    body = TIME.pack(5) + struct.pack(">f", 1.0)
    pad.send(encode_frame(append_crc(telemetry_header(free, 1, len(body)) + body)))
    sentence = watcher.wait_for(f"APID {free}")
    watcher.close()
    return Seen(sentence)
