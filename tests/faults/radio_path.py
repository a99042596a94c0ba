"""A radio path between the station's terminal and real vehicle processes, that can do what an attacker or bad luck does.

Uplink bytes pass as they come, to every vehicle on the air; on their way junk can be put before each burst, its last zero
lost, or the burst held back. Downlink passes frame by frame, so that single packets can be left out.
"""

from __future__ import annotations

import contextlib
import os
import select
import struct
import threading
import time
import tty
from collections.abc import Collection
from pathlib import Path
from typing import NamedTuple

from protocol.framing import FrameSplitter, decode_frame
from protocol.identity import IDENTITY_APID

ROUND_S = 0.005
IDENTITY_AT = struct.Struct(">IBBIIQII")


class Said(NamedTuple):
    """An identity packet as it passed by; the tag is not looked at."""

    at_s: float
    vehicle_ms: int
    wire: int
    build: int
    vehicle_id: int
    dictionary_hash: int
    boot_id: int
    last_counter: int
    safed_counter: int

    @property
    def now_ms(self) -> int:
        """What the vehicle's clock shows by now."""
        return self.vehicle_ms + round((time.monotonic() - self.at_s) * 1000)


class RadioPath:
    """One terminal for the station at `link`, any number of vehicles. The attributes may be changed at any time."""

    def __init__(self, link: Path) -> None:
        self.junk = b""  # goes before each uplink burst
        self.loses_ends = False  # each burst loses its last zero
        self.held: list[bytes] | None = None  # while it is a list, uplink bursts wait in it
        self.muted = True  # nothing comes down; before a station reads, what is sent is lost, as on the air
        self.left_out: Collection[int] = ()  # APIDs that do not come down
        self.mutes: Collection[int] = ()  # vehicles that are not heard
        self.up_frames: list[bytes] = []  # stuffed, without zeros, as the station sent them
        self.said: dict[int, Said] = {}  # by vehicle, counted in the order they came on the air
        self.down: dict[int, list[bytes]] = {}  # packets without CRC, by vehicle
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        link.symlink_to(os.ttyname(self._slave))
        self._vehicles: dict[int, tuple[int, FrameSplitter]] = {}
        self._up = FrameSplitter()
        self._lock = threading.RLock()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def join(self, number: int, descriptor: int) -> None:
        """Put a vehicle on the air (in the place of the one with that number); the descriptor stays its owner's."""
        with self._lock:
            self._vehicles[number] = descriptor, FrameSplitter()
            self.said.pop(number, None)
            self.down[number] = []

    def leave(self, number: int) -> None:
        """Take a vehicle off the air."""
        with self._lock:
            self._vehicles.pop(number, None)

    def send_up(self, data: bytes) -> None:
        """Transmit to every vehicle, whatever is held back."""
        with self._lock:
            for descriptor, _ in self._vehicles.values():
                with contextlib.suppress(OSError):
                    os.write(descriptor, data)

    def send_down(self, data: bytes) -> None:
        """Let the station hear something."""
        with self._lock, contextlib.suppress(BlockingIOError):
            os.write(self._master, data)

    def close(self) -> None:
        """End it."""
        self._stopping.set()
        self._thread.join(5.0)
        os.close(self._slave)
        os.close(self._master)

    def _run(self) -> None:
        while not self._stopping.is_set():
            with self._lock:
                places = {descriptor: number for number, (descriptor, _) in self._vehicles.items()}
            with contextlib.suppress(OSError, ValueError):
                ready = select.select([self._master, *places], [], [], ROUND_S)[0]
                with self._lock:
                    for place in ready:
                        self._move_up() if place == self._master else self._move_down(places[place])

    def _move_up(self) -> None:
        data = os.read(self._master, 65536)
        self.up_frames += [encoded for encoded, dropped in self._up.feed(data) if not dropped]
        data = self.junk + (data.rstrip(b"\0") if self.loses_ends else data)
        if self.held is not None:
            self.held.append(data)
        else:
            self.send_up(data)

    def _move_down(self, number: int) -> None:
        if number not in self._vehicles:
            return
        descriptor, splitter = self._vehicles[number]
        data = os.read(descriptor, 65536)
        if not data:
            self.leave(number)
        for encoded, dropped in splitter.feed(data):
            packet = (decode_frame(encoded) or b"")[:-2] if not dropped else b""
            apid = self._look_at(number, packet) if len(packet) > 10 else None
            if not self.muted and number not in self.mutes and apid not in self.left_out:
                self.send_down(b"\0" + encoded + b"\0")

    def _look_at(self, number: int, packet: bytes) -> int:
        apid = int.from_bytes(packet[:2], "big") & 0x7FF
        self.down[number].append(packet)
        if apid == IDENTITY_APID:
            self.said[number] = Said(time.monotonic(), *IDENTITY_AT.unpack_from(packet, 6))
        return apid
