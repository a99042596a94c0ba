"""The ground's end of the wire: bytes in, events out; commands in, bytes out. No port, no clock, no waiting.

    link.receive_data(chunk)          any bytes, in any chunks
    while (event := link.next_event()) is not NEED_DATA: ...
    port.write(link.send("camera_power", {"camera": 2, "on": 1}, counter, valid_until_ms))

Nothing the other end does raises here. Damage, junk, gaps, repeats and restarts are events, so that they can be
counted, recorded and shown. How a frame is judged, in order: stuffing, CRC, header, APID, length; then the sequence
count of its packet type; then the vehicle time. A vehicle that announces another boot id has restarted: sequence counts
start anew and a new epoch of time begins. So it has, as a guess, when its clock falls back by more than `CLOCK_FALL_MS`
and, by the arrivals the caller tells, can be that of a new start; else the packet is old news, and late. What is still on
its way from the start before is old news of that one.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping
from enum import Enum, auto

from protocol.bound import build_bound_frame, build_safe_all_frame
from protocol.checksum import crc_holds
from protocol.commands import build_command_frame
from protocol.dictionary import BOOT_ROLES, Dictionary
from protocol.errors import OurMistake
from protocol.events import (
    BootIdLearned,
    BytesSkipped,
    CounterWrapped,
    Event,
    FrameDamaged,
    PacketReceived,
    PacketRepeated,
    PacketUnknown,
    SequenceGap,
    VehicleRestarted,
)
from protocol.fields import Packet, Value
from protocol.foreign.foreign_framing import ForeignFraming, Heard
from protocol.foreign.framings import foreign_framing
from protocol.foreign.wrapping_clock import WrappingClock
from protocol.framing import DELIMITER, FrameSplitter, decode_frame
from protocol.identity import BOOT_HIGH_ROLE, BOOT_LOW_ROLE
from protocol.packets import (
    APID_MASK,
    COUNT_MASK,
    COUNT_MODULUS,
    HEADER,
    HEADER_SIZE,
    SECONDARY_BIT,
    TIME,
    TIME_MODULUS_MS,
    TIME_SIZE,
)
from protocol.sequence import CLOCK_FALL_MS, STRAGGLERS_FOR_S, Place, SequenceTracker, Start, signed_step_ms

DATA_START = HEADER_SIZE + TIME_SIZE
TELEMETRY_FIRST_WORD = SECONDARY_BIT  # version 0, telemetry, with vehicle time; APID bits clear
UNSEGMENTED = 0xC000


class _NeedData(Enum):
    NEED_DATA = auto()


NEED_DATA = _NeedData.NEED_DATA


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

    def __init__(self, dictionary: Dictionary, key: bytes | None = None, vehicle_id: int | None = None) -> None:
        """`key` signs commands; `vehicle_id` is whom they are for, the dictionary's where it is not given."""
        self.dictionary = dictionary
        self.vehicle_id = dictionary.uplink.vehicle_id if vehicle_id is None else vehicle_id
        self._key = key
        self._splitter = FrameSplitter()
        self._foreign: ForeignFraming | None = foreign_framing(dictionary)
        modulus_s = dictionary.framing.time_modulus if dictionary.framing is not None else 0.0
        self._clock = WrappingClock(modulus_s) if modulus_s else None
        self._running: dict[str, int] = {}
        self._events: deque[Event] = deque()
        self._start = Start(0, self._fresh_trackers(), None)
        self._former: Start | None = None
        self._known_id: int | None = None
        self._boot_channels = boot_channels(dictionary)
        self._restart_unnamed = False
        self._rx_s: float | None = None

    @property
    def boot_id(self) -> int | None:
        """Which start of the vehicle commands are addressed to, None before it has told."""
        return self._known_id

    @property
    def epoch(self) -> int:
        """How often the vehicle has restarted."""
        return self._start.epoch

    def receive_data(self, data: bytes, rx_s: float | None = None) -> None:
        """Take received bytes; their events wait in `next_event`.

        `rx_s` is when they arrived (s, ascending, any zero). Without it every fall of the clock counts as a restart.
        """
        self._rx_s = rx_s
        if self._foreign is not None:
            for _ in self.receive_pieces(data, lambda _: rx_s):
                pass
            return
        for encoded, dropped in self._splitter.feed(data):
            if dropped:
                self._events.append(BytesSkipped(dropped))
            else:
                self._take_frame(encoded)

    def receive_pieces(self, data: bytes, arrival_s: Callable[[int], float | None] = lambda end: None) -> Iterator[Heard]:
        """Take received bytes of a vehicle with a framing of its own, piece by piece.

        `arrival_s` gives the arrival of the piece that ends at an offset into all bytes so far.

        Yields each line or record when its events, and no later ones, have been added to those that wait. Raises
        OurMistake for a vehicle that speaks our own wire, whose frames are no pieces.
        """
        if self._foreign is None:
            raise OurMistake("this vehicle has no framing of its own")
        for heard in self._foreign.feed(data):
            if heard.skipped:
                self._events.append(BytesSkipped(heard.skipped))
            if isinstance(heard.result, tuple):
                packet, count, wire_ms, values = heard.result
                self._rx_s = arrival_s(heard.end)
                if self._clock is not None and wire_ms is not None:
                    wire_ms = self._clock.continued(wire_ms, self._rx_s)
                if self._known_id is None and not self._boot_channels:
                    self._known_id = 0  # a vehicle that never tells its starts apart has one
                    self._events.append(BootIdLearned(0))
                self._take_packet(packet, count, wire_ms, values)
            elif heard.result is not None:
                self._events.append(heard.result)
            yield heard

    def next_event(self) -> Event | _NeedData:
        """Return the next event in order of arrival, or NEED_DATA."""
        return self._events.popleft() if self._events else NEED_DATA

    def send(self, command: str, args: Mapping[str, object], counter: int, valid_until_ms: int | None = None) -> bytes:
        """Return the frame that asks for `command`, addressed to the start of the vehicle now heard.

        `valid_until_ms`: vehicle time after which it is refused, on wire version 2, where safe all needs neither it nor a
        known start. A framing of the vehicle's own knows no key, counter or address: then these are not in it. Raises
        OurMistake without a key, without a known boot id or time, or for illegal arguments.
        """
        described = self.dictionary.commands[command]
        if self._foreign is not None:
            return self._foreign.command(described, args)
        if self._key is None:
            raise OurMistake("this link has no command key")
        if self.dictionary.is_bound and described.safes_all:
            return build_safe_all_frame(self._key, self.vehicle_id, counter)
        if self.boot_id is None or (self.dictionary.is_bound and self.boot_id == 0):
            raise OurMistake("the vehicle has not yet told its boot id")
        fields = described.pack_args(args)
        if not self.dictionary.is_bound:
            apid = self.dictionary.uplink.apid
            return DELIMITER + build_command_frame(self._key, apid, self.boot_id, counter, described.code, fields)
        if valid_until_ms is None:
            raise OurMistake("the vehicle's time is not known, so no command can be made to run out")
        told = self.dictionary.hash32
        return build_bound_frame(
            self._key, self.vehicle_id, self.boot_id, told, counter, valid_until_ms, described.code, fields
        )

    def _fresh_trackers(self) -> dict[str, SequenceTracker]:
        modulus = self._foreign.count_modulus if self._foreign is not None else lambda packet: COUNT_MODULUS
        return {p.name: SequenceTracker(p.rate_hz, modulus(p)) for p in self.dictionary.packets.values()}

    def _take_frame(self, encoded: bytes) -> None:
        judged = judge_frame(self.dictionary, encoded)
        if not isinstance(judged, tuple):
            self._events.append(judged)
            return
        packet, count, wire_ms, content = judged
        self._take_packet(packet, count, wire_ms, packet.unpack(content, DATA_START))

    def _take_packet(self, packet: Packet, count: int | None, wire_ms: int | None, values: tuple[Value, ...]) -> None:
        timed = wire_ms is not None
        if wire_ms is None:  # a packet without a time belongs to the newest one heard
            wire_ms = (self._start.last_ms or 0) % TIME_MODULUS_MS
        start, is_old = self._start_of(packet, wire_ms, values)
        time_ms = start.unwrapped(wire_ms)
        if count is None:  # a format without a count tells nothing of loss: each packet is the next
            count = self._running[packet.name] = self._running.get(packet.name, -1) + 1
            late = is_old
        else:
            tracker = start.trackers[packet.name]
            place = tracker.old(count) if is_old else tracker.step(count, time_ms)
            if place is Place.REPEATED:
                self._events.append(PacketRepeated(packet, count))
                return
            if not is_old and tracker.wrapped:
                self._events.append(CounterWrapped(packet))
            if place in (Place.AFTER_GAP, Place.JUMPED) and tracker.missing != 0:
                self._events.append(SequenceGap(packet, tracker.missing))
            late = place is Place.LATE
        if timed:
            start.hear(time_ms, self._rx_s, late)
        self._events.append(PacketReceived(packet, count, start.epoch, time_ms, values, late))

    def _start_of(self, packet: Packet, wire_ms: int, values: tuple[Value, ...]) -> tuple[Start, bool]:
        """Return the start of the vehicle a packet belongs to, and whether it is old news of it."""
        indices = self._boot_channels.get(packet.name, ())
        told = _joined(values, indices) if indices else None
        former = self._still_heard_of(wire_ms, told)
        if former is not None:
            return former, True
        now, rx_s = self._start, self._rx_s
        fell = now.fell(wire_ms)
        is_another = told is not None and self._known_id is not None and told != self._known_id
        is_old = fell and not is_another and not now.may_follow(wire_ms, rx_s)
        if is_old and now.old_for_long(rx_s):
            self._restart(told, straggles=False)  # its clock was set back
        elif is_old:
            return now, True
        elif is_another and self._restart_unnamed and not fell and told is not None:
            self._events.append(BootIdLearned(told))
        elif is_another or fell:
            self._restart(told if told != self._known_id else None)
        elif told is not None and self._known_id is None:
            self._events.append(BootIdLearned(told))
        if told is not None:
            self._known_id, self._restart_unnamed = told, False
            self._start.boot_id = told
        return self._start, False

    def _still_heard_of(self, wire_ms: int, told: int | None) -> Start | None:
        """Return the start before, where a packet can only be a straggler of it.

        What the start that is heard now can have sent by now is never called that.
        """
        former, rx_s, began_s = self._former, self._rx_s, self._start.began_s
        if former is None or former.last_ms is None or rx_s is None or began_s is None:
            return None
        if rx_s - began_s > STRAGGLERS_FOR_S:
            self._former = None
            return None
        if told is not None and told != former.boot_id:
            return None
        is_older = signed_step_ms(former.last_ms, wire_ms) <= 0
        if told is not None and told == former.boot_id and not self._restart_unnamed and told != self._known_id:
            return former if is_older or former.reached(wire_ms, began_s) else None
        leaps = self._start.last_ms is None or signed_step_ms(self._start.last_ms, wire_ms) > CLOCK_FALL_MS
        if not leaps or former.may_follow(wire_ms, rx_s):
            return None
        # A guess may be wrong: what goes on where the clock of before stood is the vehicle's present.
        if (not is_older and self._restart_unnamed) or self._start.old_for_long(rx_s):
            self._former = None
            return None
        return former

    def _restart(self, boot_id: int | None, straggles: bool = True) -> None:
        self._former = self._start if straggles else None
        self._start = Start(self._start.epoch + 1, self._fresh_trackers(), self._rx_s)
        self._start.boot_id = boot_id
        self._restart_unnamed = boot_id is None
        self._events.append(VehicleRestarted(boot_id, self._start.epoch))


def _joined(values: tuple[Value, ...], indices: tuple[int, ...]) -> int:
    """Return the boot id told in one channel, or in two halves of 32 bits."""
    told = 0
    for index in indices:
        told = told << 32 | int(values[index])
    return told


def boot_channels(dictionary: Dictionary) -> dict[str, tuple[int, ...]]:
    """For each packet that tells the boot id: the indices of the channels that hold it, upper half first."""
    groups = ((BOOT_HIGH_ROLE, BOOT_LOW_ROLE),) if dictionary.is_bound else tuple((role,) for role in BOOT_ROLES)
    found = {}
    for roles in groups:
        channels = [dictionary.roles[role] for role in roles if role in dictionary.roles]
        if channels:
            packet = dictionary.packets[channels[0].packet]
            found[packet.name] = tuple(packet.channels.index(channel) for channel in channels)
    return found
