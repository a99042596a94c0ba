"""Stimuli: sensor values sent up a cable to a flight computer that rehearses.

    primary header        type telecommand, no secondary header, APID of the stimulus, count = number modulo 16384
    vehicle        u32    identity of the vehicle
    session        u32    counter of the command that began the rehearsal
    number         u32    1, 2, 3, ... in this rehearsal
    time           u32    microseconds since the rehearsal began: 71 minutes at most
    fields                as the dictionary lists them
    CRC-16                then stuffed; a zero before and a zero after

They carry no tag: they are obeyed over a wired port only, and only by a vehicle that a signed command made rehearse.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from cobs import cobs

from protocol.bound import VEHICLE_ID_MAX
from protocol.checksum import CRC_INIT, CRC_SIZE
from protocol.commands import COUNTER_MAX, open_telecommand
from protocol.dictionary import Dictionary
from protocol.fields import Packet, Value
from protocol.packets import COUNT_MASK, HEADER_SIZE, PacketType
from protocol.wire_types import FLOAT_TYPES, INTEGER_RANGES, is_little

HEAD = struct.Struct(">IIII")
STIMULUS_CONTENT = HEADER_SIZE + HEAD.size + CRC_SIZE  # bytes of content beside the fields
NUMBER_MAX = TIME_MAX_US = 0xFFFF_FFFF
_PLAIN = {
    "u8": "B",
    "i8": "b",
    "u16": "H",
    "i16": "h",
    "u32": "I",
    "i32": "i",
    "u64": "Q",
    "i64": "q",
    "f32": "f",
    "f64": "d",
}
Raws = Callable[[Sequence[float]], Sequence[float]]


@dataclass(frozen=True, slots=True)
class Stimulus:
    """One stimulus taken apart; `values` in channel order, in the units the station has them in."""

    name: str
    vehicle_id: int
    session: int
    number: int
    time_us: int
    values: tuple[Value, ...]


class StimulusEncoder:
    """Makes the frames of one rehearsal, numbering them from 1.

    Raises ValueError for an identity or a session (counter of the command that began it) that does not fit its field.
    """

    def __init__(self, dictionary: Dictionary, vehicle_id: int, session: int) -> None:
        if not (1 <= vehicle_id <= VEHICLE_ID_MAX and 1 <= session <= COUNTER_MAX):
            raise ValueError(f"vehicle id {vehicle_id} or session {session} out of range")
        self.number = 0  # of the last frame made
        self._vehicle_id, self._session = vehicle_id, session
        self._plans = {name: _Plan(packet) for name, packet in dictionary.stimuli.items()}

    def frame(self, name: str, time_us: int, values: Sequence[float]) -> bytes:
        """Return the next frame: stimulus `name` at `time_us` since the beginning, `values` in channel order.

        Values are engineering values in the station's units and axes; one that does not fit its field goes out as the
        nearest that does. Raises KeyError for a stimulus that is not there, ValueError for a time or a count of values
        that does not fit; then no number is used.
        """
        plan = self._plans[name]
        number = self.number + 1
        if len(values) != plan.count or not 0 <= time_us <= TIME_MAX_US or number > NUMBER_MAX:
            raise ValueError(f"stimulus {name} needs {plan.count} values and a time of 0..{TIME_MAX_US} us")
        head = (plan.first, 0xC000 | number & COUNT_MASK, plan.length, self._vehicle_id, self._session, number, time_us)
        try:
            packet = plan.fast.pack(*head, *plan.raws(values)) if plan.raws is not None else plan.slowly(head, values)
        except (struct.error, ValueError, OverflowError):  # what does not fit
            packet = plan.slowly(head, values)
        self.number = number
        frame: bytes = b"\0" + cobs.encode(packet + crc_hqx(packet, CRC_INIT).to_bytes(2, "big")) + b"\0"
        return frame


class _Plan:
    """What of one stimulus does not change from frame to frame."""

    def __init__(self, packet: Packet) -> None:
        self.packet = packet
        self.count = len(packet.channels)
        self.names = packet.channel_names
        self.first = PacketType.TELECOMMAND << 12 | packet.apid
        self.length = HEAD.size + packet.layout.size - 1
        self.head = struct.Struct(">HHHIIII")
        self.raws = _raws(packet)
        letters = "".join(_PLAIN[item.type] for item in packet.fields) if self.raws is not None else ""
        self.fast = struct.Struct(self.head.format + letters)

    def slowly(self, head: tuple[int, ...], values: Sequence[float]) -> bytes:
        fields, _ = self.packet.pack_fitted(dict(zip(self.names, values, strict=True)))
        return self.head.pack(*head) + fields


def _raws(packet: Packet) -> Raws | None:
    """Return the function from values to what `struct` packs, None where the packet needs more than that."""
    steps: list[tuple[int, float, float, int, int]] = []
    for place, item in enumerate(packet.fields):
        channel = item.channels[0]
        if item.type not in _PLAIN or is_little(item.type) or channel.wire_unit or packet.attitude is not None:
            return None
        if item.type not in FLOAT_TYPES:
            steps.append((place, channel.offset, channel.scale, *INTEGER_RANGES[item.type]))
    if not steps:
        return lambda values: values

    def raws(values: Sequence[float]) -> Sequence[float]:
        out = list(values)
        for place, offset, scale, low, high in steps:
            raw = round((out[place] - offset) / scale)  # not a number raises ValueError
            if not low <= raw <= high:
                raise ValueError("does not fit")
            out[place] = raw
        return out

    return raws


def open_stimulus(dictionary: Dictionary, encoded: bytes) -> Stimulus | str:
    """Take apart one stuffed uplink frame (without its zeros), or say why it is no stimulus of this dictionary."""
    by_apid = {packet.apid: packet for packet in dictionary.stimuli.values()}
    opened = open_telecommand(encoded, HEADER_SIZE + HEAD.size, by_apid)
    if isinstance(opened, str):
        return opened
    header, packet = opened
    described = by_apid[header.apid]
    if len(packet) != HEADER_SIZE + HEAD.size + described.layout.size:
        return "wrong length"
    vehicle_id, session, number, time_us = HEAD.unpack_from(packet, HEADER_SIZE)
    if number & COUNT_MASK != header.count or number == 0:
        return "wrong count"
    return Stimulus(described.name, vehicle_id, session, number, time_us, described.unpack(packet, HEADER_SIZE + HEAD.size))
