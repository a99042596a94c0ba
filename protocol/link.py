"""The ground's end of the wire: bytes in, events out; commands in, bytes out. No port, no clock, no waiting.

    link.receive_data(chunk)          any bytes, in any chunks
    while (event := link.next_event()) is not NEED_DATA: ...
    port.write(link.send("camera_power", {"camera": 2, "on": 1}, counter))

Nothing the other end does raises here. Damage, junk, gaps, repeats and restarts are events, so that they can be
counted, recorded and shown. How a frame is judged, in order: stuffing, CRC, header, APID, length; then the sequence
count of its packet type; then the vehicle time. A vehicle that announces another boot id, or whose clock falls back by
more than `CLOCK_FALL_MS`, has restarted: sequence counts start anew and a new epoch of time begins.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, auto

from protocol.checksum import crc_holds
from protocol.commands import build_command_frame
from protocol.dictionary import BOOT_ROLES, Dictionary
from protocol.errors import OurMistake
from protocol.fields import Packet, Value
from protocol.framing import FrameSplitter, decode_frame
from protocol.packets import (
    APID_MASK,
    COUNT_MASK,
    HEADER,
    HEADER_SIZE,
    SECONDARY_BIT,
    TIME,
    TIME_MODULUS_MS,
    TIME_SIZE,
)
from protocol.sequence import Place, SequenceTracker

CLOCK_FALL_MS = 2000
DATA_START = HEADER_SIZE + TIME_SIZE
TELEMETRY_FIRST_WORD = SECONDARY_BIT  # version 0, telemetry, with vehicle time; APID bits clear
UNSEGMENTED = 0xC000


class _NeedData(Enum):
    NEED_DATA = auto()


NEED_DATA = _NeedData.NEED_DATA


@dataclass(frozen=True, slots=True)
class PacketReceived:
    """A good packet. `time_ms` is vehicle time, unwrapped, within `epoch` (which counts restarts)."""

    packet: Packet
    count: int
    epoch: int
    time_ms: int
    values: tuple[Value, ...]
    late: bool = False


@dataclass(frozen=True, slots=True)
class FrameDamaged:
    """A frame that cannot be trusted, and why."""

    reason: str
    size: int


@dataclass(frozen=True, slots=True)
class BytesSkipped:
    """A run without a delimiter, too long to be a frame."""

    size: int


@dataclass(frozen=True, slots=True)
class PacketUnknown:
    """A sound frame whose packet the dictionary does not describe."""

    apid: int
    size: int


@dataclass(frozen=True, slots=True)
class SequenceGap:
    """Packets of one type were lost; `missing` is None when the number cannot be known."""

    packet: Packet
    missing: int | None


@dataclass(frozen=True, slots=True)
class PacketRepeated:
    """A packet came twice; it is not delivered again."""

    packet: Packet
    count: int


@dataclass(frozen=True, slots=True)
class CounterWrapped:
    """The sequence count of a packet type went from 16383 to 0: normal, worth counting."""

    packet: Packet


@dataclass(frozen=True, slots=True)
class VehicleRestarted:
    """The vehicle restarted; `boot_id` is None when only its clock told."""

    boot_id: int | None
    epoch: int


@dataclass(frozen=True, slots=True)
class BootIdLearned:
    """The vehicle told which start this is, without having restarted in our hearing."""

    boot_id: int


Event = (
    PacketReceived
    | FrameDamaged
    | BytesSkipped
    | PacketUnknown
    | SequenceGap
    | PacketRepeated
    | CounterWrapped
    | VehicleRestarted
    | BootIdLearned
)


def judge_frame(dictionary: Dictionary, encoded: bytes) -> tuple[Packet, int, int, bytes] | FrameDamaged | PacketUnknown:
    """Judge one stuffed frame: (packet, sequence count, wire time in ms, content), or what is wrong with it."""
    content = decode_frame(encoded)
    if content is None:
        return FrameDamaged("bad stuffing", len(encoded))
    if not crc_holds(content):
        return FrameDamaged("bad checksum", len(encoded))
    if len(content) < DATA_START + 2:
        return FrameDamaged("too short", len(encoded))
    first, sequence, length = HEADER.unpack_from(content)
    if length + 1 != len(content) - HEADER_SIZE - 2:
        return FrameDamaged("wrong length", len(encoded))
    if first & ~APID_MASK != TELEMETRY_FIRST_WORD or sequence & UNSEGMENTED != UNSEGMENTED:
        return FrameDamaged("not a telemetry packet", len(encoded))
    packet = dictionary.packet_by_apid.get(first & APID_MASK)
    if packet is None:
        return PacketUnknown(first & APID_MASK, len(encoded))
    if len(content) != DATA_START + packet.layout.size + 2:
        return FrameDamaged(f"{packet.name} of another length", len(encoded))
    return packet, sequence & COUNT_MASK, TIME.unpack_from(content, HEADER_SIZE)[0], content


class Link:
    """The ground's end of one vehicle's wire. See the module text for how to drive it."""

    def __init__(self, dictionary: Dictionary, key: bytes | None = None) -> None:
        self.dictionary = dictionary
        self.boot_id: int | None = None
        self.epoch = 0
        self._key = key
        self._splitter = FrameSplitter()
        self._events: deque[Event] = deque()
        self._trackers = self._fresh_trackers()
        self._last_ms: int | None = None
        self._boot_channels = _boot_channels(dictionary)
        self._restart_unnamed = False

    def receive_data(self, data: bytes) -> None:
        """Take received bytes; their events wait in `next_event`."""
        for encoded, dropped in self._splitter.feed(data):
            if dropped:
                self._events.append(BytesSkipped(dropped))
            else:
                self._take_frame(encoded)

    def next_event(self) -> Event | _NeedData:
        """Return the next event in order of arrival, or NEED_DATA."""
        return self._events.popleft() if self._events else NEED_DATA

    def send(self, command: str, args: Mapping[str, object], counter: int) -> bytes:
        """Return the frame that asks for `command`, addressed to the start of the vehicle now heard.

        Raises OurMistake without a key, without a known boot id, or for illegal arguments.
        """
        if self._key is None:
            raise OurMistake("this link has no command key")
        if self.boot_id is None:
            raise OurMistake("the vehicle has not yet told its boot id")
        described = self.dictionary.commands[command]
        fields = described.pack_args(args)
        apid = self.dictionary.uplink.apid
        return build_command_frame(self._key, apid, self.boot_id, counter, described.code, fields)

    def _fresh_trackers(self) -> dict[str, SequenceTracker]:
        return {packet.name: SequenceTracker(packet.rate_hz) for packet in self.dictionary.packets.values()}

    def _take_frame(self, encoded: bytes) -> None:
        judged = judge_frame(self.dictionary, encoded)
        if not isinstance(judged, tuple):
            self._events.append(judged)
            return
        packet, count, wire_ms, content = judged
        values = packet.unpack(content, DATA_START)
        self._look_for_restart(packet, wire_ms, values)
        time_ms = self._unwrapped(wire_ms)
        tracker = self._trackers[packet.name]
        place = tracker.step(count, time_ms)
        if place is Place.REPEATED:
            self._events.append(PacketRepeated(packet, count))
            return
        if tracker.wrapped:
            self._events.append(CounterWrapped(packet))
        if place in (Place.AFTER_GAP, Place.JUMPED) and tracker.missing != 0:
            self._events.append(SequenceGap(packet, tracker.missing))
        late = place is Place.LATE
        if not late:
            self._last_ms = time_ms if self._last_ms is None else max(time_ms, self._last_ms)
        self._events.append(PacketReceived(packet, count, self.epoch, time_ms, values, late))

    def _unwrapped(self, wire_ms: int) -> int:
        """Continue the 32-bit millisecond clock across its wrap (every 49.7 days)."""
        if self._last_ms is None:
            return wire_ms
        return self._last_ms + _signed_step(self._last_ms, wire_ms)

    def _look_for_restart(self, packet: Packet, wire_ms: int, values: tuple[Value, ...]) -> None:
        fell = self._last_ms is not None and _signed_step(self._last_ms, wire_ms) < -CLOCK_FALL_MS
        index = self._boot_channels.get(packet.name)
        told = int(values[index]) if index is not None else None
        if told is not None and self.boot_id is not None and told != self.boot_id:
            if self._restart_unnamed and not fell:
                self._events.append(BootIdLearned(told))
            else:
                self._restart(told)
        elif fell:
            self._restart(told if told != self.boot_id else None)
        elif told is not None and self.boot_id is None:
            self._events.append(BootIdLearned(told))
        if told is not None:
            self.boot_id, self._restart_unnamed = told, False

    def _restart(self, boot_id: int | None) -> None:
        self.epoch += 1
        self._trackers = self._fresh_trackers()
        self._last_ms = None
        self._restart_unnamed = boot_id is None
        self._events.append(VehicleRestarted(boot_id, self.epoch))


def _signed_step(last_ms: int, wire_ms: int) -> int:
    half = TIME_MODULUS_MS // 2
    return (wire_ms - last_ms + half) % TIME_MODULUS_MS - half


def _boot_channels(dictionary: Dictionary) -> dict[str, int]:
    """For each packet that tells the boot id: the index of that channel."""
    found = {}
    for role in BOOT_ROLES:
        channel = dictionary.roles.get(role)
        if channel is not None:
            found[channel.packet] = dictionary.packets[channel.packet].channels.index(channel)
    return found
