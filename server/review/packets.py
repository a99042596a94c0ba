"""What arrived at one moment of a recording, packet by packet as it crossed the radio: its bytes, its count, its fields."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite, isnan

import numpy as np

from protocol.arrays import Ints
from protocol.bulk import decode_stream
from protocol.events import FrameDamaged, PacketUnknown
from protocol.fields import Channel, Packet
from protocol.link import judge_frame
from server.recording.records import Kind
from server.review.review import Review

SAME_ARRIVAL_S = 1e-6
PACKETS_AT_MOST = 64  # of one arrival: a station that hung can find a whole buffer at once
SHOWN_BYTES_AT_MOST = 4096


@dataclass(frozen=True)
class ShownField:
    """One field of a packet as people read it; `value` is None for what is no finite number, and `bad` says which."""

    name: str
    label: str
    unit: str
    value: float | str | None
    bad: str


@dataclass(frozen=True)
class ShownPacket:
    """One frame: its place in the recording, size and bytes on the wire, and what it holds, or what is wrong with it.

    `t` is its timeline second (None where it is no packet that was taken), `count` its sequence count, `time_ms` the
    vehicle's own clock on the wire (both None where the format has none).
    """

    index: int
    name: str
    title: str
    count: int | None
    time_ms: int | None
    t: float | None
    size: int
    hex: str
    wrong: str
    fields: tuple[ShownField, ...]


@dataclass(frozen=True)
class Arrival:
    """The packets that one read of the port brought, in order, and its session second; `left_out` counts the rest."""

    rx_s: float
    packets: tuple[ShownPacket, ...]
    left_out: int


def packets_at(review: Review, rx_s: float) -> Arrival | None:
    """Return the newest packets that had arrived at a session second; None before the first."""
    batch = review.output.batch
    if batch is None:
        return None
    arrivals = batch.frame_rx_s
    last = int(np.searchsorted(arrivals, rx_s + SAME_ARRIVAL_S, side="right")) - 1
    if last < 0:
        return None
    moment = float(arrivals[last])
    first = int(np.searchsorted(arrivals, moment, side="left"))
    shown = range(first, min(last + 1, first + PACKETS_AT_MOST))
    data, ends = _wire(review)
    sizes = batch.frame_bytes
    told = []
    for frame in shown:
        size, place = int(sizes[frame]), frame - batch.first_order
        end = int(ends[place]) + 1 if len(ends) == len(arrivals) else None
        told.append(_packet(review, frame, size, b"" if end is None else data[end - size : end]))
    return Arrival(moment, tuple(told), last + 1 - first - len(told))


def _wire(review: Review) -> tuple[bytes, Ints]:
    """Return all bytes received and the offset of each frame's last byte."""
    data = b"".join(record.payload for record in review.session.records if record.kind == Kind.RECEIVED)
    if review.dictionary.framing is not None:
        return data, decode_stream(review.dictionary, data).frame_end
    zeros = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == 0)
    starts = np.concatenate(([-1], zeros[:-1])) if zeros.size else zeros
    return data, zeros[zeros - starts > 1]


def _packet(review: Review, frame: int, size: int, wire: bytes) -> ShownPacket:
    judged = judge_frame(review.dictionary, wire[:-1]) if review.dictionary.framing is None and wire else None
    count: int | None = None
    time_ms: int | None = None
    packet: Packet | None
    if isinstance(judged, tuple):
        packet, count, time_ms, _ = judged
    else:
        packet = _taken(review, frame)
    wrong = _wrong(judged) if packet is None else ""
    t, fields = (None, ()) if packet is None else _row(review, packet, frame)
    if packet is not None and t is None:
        wrong = "came before; not taken again"
    return ShownPacket(
        frame,
        packet.name if packet is not None else "",
        review.specs[packet.name].title if packet is not None else "no packet",
        count,
        time_ms,
        t,
        size,
        wire[:SHOWN_BYTES_AT_MOST].hex(" "),
        wrong,
        fields,
    )


def _taken(review: Review, frame: int) -> Packet | None:
    """Return which packet a frame was taken for."""
    for name, packet in review.dictionary.packets.items():
        rows = review.output.rows.get(name)
        if rows is not None and frame in rows.order:
            return packet
    return None


def _wrong(judged: object) -> str:
    if isinstance(judged, FrameDamaged):
        return judged.reason
    if isinstance(judged, PacketUnknown):
        return f"its packet {judged.apid} is not in the dictionary"
    return "not a packet of this vehicle"


def _row(review: Review, packet: Packet, frame: int) -> tuple[float | None, tuple[ShownField, ...]]:
    rows = review.output.rows.get(packet.name)
    if rows is None:
        return None, ()
    at = int(np.searchsorted(rows.order, frame))
    if at >= len(rows) or rows.order[at] != frame:
        return None, ()
    return float(rows.t[at]), tuple(_field(channel, rows.columns[channel.name][at]) for channel in packet.channels)


def _field(channel: Channel, value: float | str) -> ShownField:
    label = channel.label or channel.name
    unit = channel.display_unit or channel.unit
    if isinstance(value, str):
        return ShownField(channel.name, label, "", value, "")
    number = float(value)
    if not isfinite(number):
        bad = "not a number" if isnan(number) else ("+infinite" if number == inf else "-infinite")
        return ShownField(channel.name, label, unit, None, bad)
    word = channel.text_of(number) if channel.kind == "enum" else None
    if word is not None:
        return ShownField(channel.name, label, "", word, "")
    return ShownField(channel.name, label, unit, number * channel.display_scale + channel.display_offset, "")
