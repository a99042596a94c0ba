"""A whole recording at once: received bytes to numpy columns, by the same rules as `protocol.link`.

The frames of a recording are cut, unstuffed, checked and unpacked together, grouped by length, so that the work per
frame is a few nanoseconds of numpy instead of microseconds of Python. Everything unusual is still judged by the very
functions the live path uses: a frame that fails any check goes to `judge_frame`, counts that are not consecutive go
through `SequenceTracker`, and a recording in which the vehicle restarted goes through `Link` from the start.

COBS in place: frames of at most 255 stuffed bytes have a code byte, then data, and every later code byte stands where
the content has a zero. Following the chain of code bytes and writing zeros over them leaves the content behind.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from protocol.arrays import Bools, Ints
from protocol.checksum import CRC_INIT
from protocol.dictionary import Dictionary
from protocol.events import (
    BootIdLearned,
    BytesSkipped,
    CounterWrapped,
    Event,
    PacketReceived,
    PacketRepeated,
    SequenceGap,
)
from protocol.fields import Packet
from protocol.framing import ENCODED_MAX
from protocol.link import DATA_START, NEED_DATA, TELEMETRY_FIRST_WORD, UNSEGMENTED, Link, boot_channels, judge_frame
from protocol.packets import APID_MASK, COUNT_MASK, COUNT_MODULUS, TIME_MODULUS_MS
from protocol.raw_columns import Column, channel_column, number_column, packet_dtype
from protocol.sequence import CLOCK_FALL_MS, Place, SequenceTracker


@dataclass
class PacketColumns:
    """All good packets of one type, in order of arrival.

    `frame` is the index of the packet's frame in the stream (shape (n,)), `time_ms` the unwrapped vehicle time within
    `epoch`; `columns` holds one float64 array of shape (n,) per channel in engineering units, or a list of texts.
    """

    packet: Packet
    frame: Ints
    epoch: Ints
    time_ms: Ints
    late: Bools
    columns: dict[str, Column]

    def __len__(self) -> int:
        return len(self.frame)


@dataclass
class Decoded:
    """A decoded stream: packets by name, all other events with the frame they belong to, and where frames end.

    `frame_end` (shape (frames,)) is the offset of each frame's delimiter, so that a caller who knows when which byte
    arrived knows when the frame did. In a framing other than our own a frame is a line or record. `pending` bytes at the
    end belong to no complete frame.
    """

    packets: dict[str, PacketColumns]
    events: list[tuple[int, Event]]
    frame_end: Ints
    pending: int
    boot_id: int | None = None
    frame_bytes: Ints | None = None  # of a framing other than our own: size on the wire


@dataclass
class _Group:
    """Rows of one packet type as found in the stream, before counts are followed."""

    packet: Packet
    frame: Ints
    count: Ints
    wire_ms: Ints
    rows: NDArray[np.uint8]  # (n, content bytes)

    @cached_property
    def fields(self) -> NDArray[np.void]:
        """The raw values, shape (n,), one entry of the structure per field."""
        layout = packet_dtype(self.packet)
        body = np.ascontiguousarray(self.rows[:, DATA_START : DATA_START + self.packet.layout.size])
        structured: NDArray[np.void] = body.view(layout).reshape(-1)
        return structured


def decode_stream(
    dictionary: Dictionary, data: bytes, arrival_s: Callable[[int], float | None] = lambda end: None
) -> Decoded:
    """Decode all received bytes of a session; `arrival_s` tells when the byte at an offset arrived, as `Link` takes it.

    The result equals what `Link` says of the same bytes, event for event and value for value.
    """
    if dictionary.framing is not None:
        return _decode_foreign(dictionary, data, arrival_s)
    stream = np.frombuffer(data, dtype=np.uint8)
    zeros = np.flatnonzero(stream == 0)
    starts = np.concatenate(([0], zeros[:-1] + 1)) if zeros.size else zeros
    nonempty = zeros > starts
    starts, ends = starts[nonempty], zeros[nonempty]
    pending = len(data) - (int(zeros[-1]) + 1 if zeros.size else 0)
    groups, odd = _grouped_packets(dictionary, stream, starts, ends)
    if _needs_link(dictionary, groups):
        return _decode_by_link(dictionary, data, starts, ends, pending, arrival_s)
    events: list[tuple[int, Event]] = [(i, _odd_event(dictionary, data, int(starts[i]), int(ends[i]))) for i in odd]
    boot_id = _first_boot_id(dictionary, groups, events)
    packets = {group.packet.name: _followed(group, events) for group in groups}
    events.sort(key=lambda item: item[0])
    return Decoded(packets, events, ends, pending, boot_id)


# ---------------------------------------------------------------- frames


def _grouped_packets(
    dictionary: Dictionary, stream: NDArray[np.uint8], starts: Ints, ends: Ints
) -> tuple[list[_Group], list[int]]:
    """Return the sound packets by type, and the indexes of all frames that are anything else."""
    lengths = ends - starts
    content, sound = _unstuffed(stream, starts, ends, lengths <= ENCODED_MAX)
    handled = np.zeros(len(starts), dtype=bool)
    groups: dict[str, list[_Group]] = {}
    for length in {packet.frame_bytes - packet.lead - 1 for packet in dictionary.packets.values()}:
        frames = np.flatnonzero((lengths == length) & sound)
        if frames.size:
            rows = sliding_window_view(content, length - 1)[starts[frames] + 1]
            for group in _sound_groups(dictionary, frames, rows, length - 1):
                handled[group.frame] = True
                groups.setdefault(group.packet.name, []).append(group)
    ordered = [groups[name][0] for name in dictionary.packets if name in groups]
    return ordered, np.flatnonzero(~handled).tolist()


def _unstuffed(stream: NDArray[np.uint8], starts: Ints, ends: Ints, candidate: Bools) -> tuple[NDArray[np.uint8], Bools]:
    """Undo COBS in place: content of frame i stands at starts[i] + 1 .. ends[i]; also tell which chains end right."""
    content = stream.copy()
    sound = candidate.copy()
    active = np.flatnonzero(candidate)
    position, stop = starts[active], ends[active]
    while active.size:
        following = position + stream[position]
        content[position] = 0
        overrun = following > stop
        if overrun.any():
            sound[active[overrun]] = False
        going_on = following < stop
        active, position, stop = active[going_on], following[going_on], stop[going_on]
    return content, sound


def _sound_groups(dictionary: Dictionary, frames: Ints, rows: NDArray[np.uint8], width: int) -> Iterator[_Group]:
    """Split equally long contents into packet types, leaving out those whose CRC or header is wrong."""
    words = np.ascontiguousarray(rows[:, :10]).view(">u2").astype(np.int64)
    first = words[:, 0]
    fine = crc16_rows(rows) == 0
    fine &= (first & ~APID_MASK) == TELEMETRY_FIRST_WORD
    fine &= (words[:, 1] & UNSEGMENTED) == UNSEGMENTED
    fine &= words[:, 2] + 1 == width - 8
    apids = np.where(fine, first & APID_MASK, -1)
    for packet in dictionary.packets.values():
        if DATA_START + packet.layout.size + 2 != width:
            continue
        mine = np.flatnonzero(apids == packet.apid)
        if mine.size:
            chosen = rows if mine.size == len(rows) else rows[mine]
            head = words if mine.size == len(rows) else words[mine]
            wire_ms = head[:, 3] << 16 | head[:, 4]
            yield _Group(packet, frames[mine], head[:, 1] & COUNT_MASK, wire_ms, chosen)


def crc16_rows(rows: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """Return the CRC-16 of every row of a byte matrix of shape (n, width); two bytes a step."""
    by_two, by_one = _crc_tables()
    count, width = rows.shape
    state = np.full(count, CRC_INIT, dtype=np.uint16)
    words = np.ascontiguousarray(np.ascontiguousarray(rows[:, : width & ~1]).view(">u2").T).astype(np.uint16)
    for word in words:
        state = by_two[state ^ word]
    if width & 1:
        state = (state << np.uint16(8)) ^ by_one[(state >> np.uint16(8)) ^ rows[:, -1]]
    return state


@cache
def _crc_tables() -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    by_one = np.array([crc_hqx(bytes([value]), 0) for value in range(256)], dtype=np.uint16)
    word = np.arange(65536, dtype=np.uint16)
    after_high = by_one[word >> 8]
    by_two = (after_high << np.uint16(8)) ^ by_one[(after_high >> np.uint16(8)) ^ (word & np.uint16(255))]
    return by_two, by_one


def _odd_event(dictionary: Dictionary, data: bytes, start: int, end: int) -> Event:
    if end - start > ENCODED_MAX:
        return BytesSkipped(end - start)
    judged = judge_frame(dictionary, data[start:end])
    assert not isinstance(judged, tuple), "the bulk path refused a frame that the live path takes"
    return judged


# ---------------------------------------------------------------- counts, clock, restarts


def _needs_link(dictionary: Dictionary, groups: list[_Group]) -> bool:
    """Tell whether the vehicle restarted or its clock wrapped: rare, and left to the live path's state machine."""
    if not groups:
        return False
    frame = np.concatenate([group.frame for group in groups])
    wire_ms = np.concatenate([group.wire_ms for group in groups])[np.argsort(frame, kind="stable")]
    if int(wire_ms.max()) >= TIME_MODULUS_MS // 2:
        return True
    if (np.maximum.accumulate(wire_ms) - wire_ms > CLOCK_FALL_MS).any():
        return True
    ids = [set(told.tolist()) for _, told in _boot_ids(dictionary, groups)]
    return len(set().union(*ids)) > 1 if ids else False


def _boot_ids(dictionary: Dictionary, groups: list[_Group]) -> Iterator[tuple[_Group, NDArray[np.uint64]]]:
    """Yield each type that tells the boot id with what it tells, shape (n,): two halves of 32 bits on wire version 2."""
    for name, indices in boot_channels(dictionary).items():
        for group in groups:
            if group.packet.name == name:
                told = np.zeros(len(group.frame), np.uint64)
                for index in indices:
                    half = number_column(group.fields, group.packet, group.packet.channels[index]).astype(np.uint64)
                    told = told << np.uint64(32) | half
                yield group, told


def _first_boot_id(dictionary: Dictionary, groups: list[_Group], events: list[tuple[int, Event]]) -> int | None:
    told = [(int(group.frame[0]), int(ids[0])) for group, ids in _boot_ids(dictionary, groups)]
    if not told:
        return None
    frame, boot_id = min(told)
    events.append((frame, BootIdLearned(boot_id)))
    return boot_id


def _followed(group: _Group, events: list[tuple[int, Event]]) -> PacketColumns:
    """Follow the sequence counts of one type; note gaps and wraps, drop repeats, then unpack what is left."""
    keep, late = _follow_counts(group, events)
    if keep is not None:
        group = _Group(group.packet, group.frame[keep], group.count[keep], group.wire_ms[keep], group.rows[keep])
        late = late[keep]
    columns = {channel.name: channel_column(group.fields, group.packet, channel) for channel in group.packet.channels}
    if group.packet.attitude is not None:
        places, turn = group.packet.attitude
        w, x, y, z = (group.packet.channels[place] for place in places)
        wq, xq, yq, zq = (number_column(group.fields, group.packet, part) for part in (w, x, y, z))
        numbers = (wq, xq, yq, zq)
        columns.update(zip((w.name, x.name, y.name, z.name), turn.of(numbers), strict=True))
    return PacketColumns(group.packet, group.frame, np.zeros(len(group.frame), np.int64), group.wire_ms, late, columns)


def _follow_counts(group: _Group, events: list[tuple[int, Event]]) -> tuple[Bools | None, Bools]:
    """Return which rows to keep (None: all of them) and which came late."""
    count, packet = group.count, group.packet
    late = np.zeros(len(count), dtype=bool)
    steps = np.diff(count) % COUNT_MODULUS
    slow = np.diff(group.wire_ms) * packet.rate_hz > 1000 * COUNT_MODULUS
    if (steps == 1).all() and not slow.any():
        for before in np.flatnonzero(np.diff(count) < 0).tolist():
            events.append((int(group.frame[before + 1]), CounterWrapped(packet)))
        return None, late
    keep = np.ones(len(count), dtype=bool)
    tracker = SequenceTracker(packet.rate_hz)
    for i, (value, time_ms) in enumerate(zip(count.tolist(), group.wire_ms.tolist(), strict=True)):
        place = tracker.step(value, time_ms)
        if place is Place.NEXT and not tracker.wrapped:
            continue
        frame = int(group.frame[i])
        if place is Place.REPEATED:
            keep[i] = False
            events.append((frame, PacketRepeated(packet, value)))
            continue
        if tracker.wrapped:
            events.append((frame, CounterWrapped(packet)))
        if place in (Place.AFTER_GAP, Place.JUMPED) and tracker.missing != 0:
            events.append((frame, SequenceGap(packet, tracker.missing)))
        late[i] = place is Place.LATE
    return keep, late


# ---------------------------------------------------------------- the slow path


def _decode_by_link(
    dictionary: Dictionary,
    data: bytes,
    starts: Ints,
    ends: Ints,
    pending: int,
    arrival_s: Callable[[int], float | None],
) -> Decoded:
    """Feed the live path frame by frame and collect what it says."""
    link = Link(dictionary)
    events: list[tuple[int, Event]] = []
    received: dict[str, list[tuple[int, PacketReceived]]] = {}
    for frame, (start, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        link.receive_data(data[start : end + 1], arrival_s(end))
        while (event := link.next_event()) is not NEED_DATA:
            if isinstance(event, PacketReceived):
                received.setdefault(event.packet.name, []).append((frame, event))
            else:
                events.append((frame, event))
    packets = {name: _columns_from_events(received[name]) for name in dictionary.packets if name in received}
    return Decoded(packets, events, ends, pending, link.boot_id)


def _decode_foreign(dictionary: Dictionary, data: bytes, arrival_s: Callable[[int], float | None]) -> Decoded:
    """Feed the live path, line by line or record by record."""
    link = Link(dictionary)
    events: list[tuple[int, Event]] = []
    received: dict[str, list[tuple[int, PacketReceived]]] = {}
    ends: list[int] = []
    sizes: list[int] = []
    for heard in link.receive_pieces(data, arrival_s):
        while (event := link.next_event()) is not NEED_DATA:
            if isinstance(event, PacketReceived):
                received.setdefault(event.packet.name, []).append((len(ends), event))
            else:
                events.append((len(ends), event))
        ends.append(heard.end)
        sizes.append(heard.size)
    packets = {name: _columns_from_events(received[name]) for name in dictionary.packets if name in received}
    pending = len(data) - (ends[-1] + 1 if ends else 0)
    return Decoded(packets, events, np.array(ends, np.int64), pending, link.boot_id, np.array(sizes, np.int64))


def _columns_from_events(items: list[tuple[int, PacketReceived]]) -> PacketColumns:
    packet = items[0][1].packet
    by_channel = zip(*[event.values for _, event in items], strict=True)
    columns: dict[str, Column] = {}
    for channel, values in zip(packet.channels, by_channel, strict=True):
        columns[channel.name] = list(values) if channel.kind == "text" else np.array(values, dtype=np.float64)
    return PacketColumns(
        packet,
        np.array([frame for frame, _ in items], dtype=np.int64),
        np.array([event.epoch for _, event in items], dtype=np.int64),
        np.array([event.time_ms for _, event in items], dtype=np.int64),
        np.array([event.late for _, event in items], dtype=bool),
        columns,
    )
