"""From records of received bytes to batches: one frame at a time live, everything at once for a recording.

Both end in the same `Batch`; `tests/server/analysis/test_pipeline.py` compares them value for value.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator

import numpy as np

from protocol.arrays import Floats, Ints
from protocol.bulk import Decoded, PacketColumns, decode_stream
from protocol.dictionary import Dictionary
from protocol.events import Event, PacketReceived
from protocol.identity import IDENTITY_NAME
from protocol.link import NEED_DATA, Link
from server.telemetry.batch import Batch, Rows, rows_from_events
from server.telemetry.timeline import Timeline

_Found = dict[str, list[tuple[int, float, float, PacketReceived]]]  # by packet: order, rx_s, t and the event


class LiveDecoder:
    """Feeds a `Link` chunk by chunk."""

    def __init__(self, dictionary: Dictionary, link: Link | None = None) -> None:
        self.link = link or Link(dictionary)
        self.timeline = Timeline()
        self._frames = 0
        self._tail = 0

    def decode(self, chunk: bytes, rx_s: float) -> Batch:
        """Return the batch of one received chunk; `rx_s` is its arrival in session seconds.

        What raises costs its own frame, or what follows it in the chunk; the batch then says so in `failure`.
        """
        batch = Batch(first_order=self._frames)
        sizes: list[int] = []
        last_t: list[float] = []
        found: _Found = {}
        try:
            for size in self._pieces(chunk, rx_s):
                try:
                    self._drain(batch, found, rx_s)
                except Exception as error:
                    batch.failure = error
                sizes.append(size)
                last_t.append(self.timeline.last_t)
                self._frames += 1
        except Exception as error:
            batch.failure = error
        batch.rows = {name: rows_from_events(items) for name, items in found.items()}
        batch.frame_rx_s = np.full(len(sizes), rx_s)
        batch.frame_bytes = np.array(sizes, dtype=np.float64)
        batch.frame_t = np.array(last_t, dtype=np.float64)
        return batch

    def _pieces(self, chunk: bytes, rx_s: float) -> Iterator[int]:
        """Feed the link frame by frame; yields the size of each when its events are there to be taken."""
        if self.link.dictionary.framing is not None:
            yield from (heard.size for heard in self.link.receive_pieces(chunk, lambda end: rx_s))
            return
        start = 0
        while (end := chunk.find(0, start)) >= 0:
            piece = chunk[start : end + 1]
            size, start = self._tail + len(piece), end + 1
            self._tail = 0
            self.link.receive_data(piece, rx_s)
            if size > 1:
                yield size
        rest = chunk[start:]
        self._tail += len(rest)
        self.link.receive_data(rest, rx_s)

    def _drain(self, batch: Batch, found: _Found, rx_s: float) -> None:
        while (event := self.link.next_event()) is not NEED_DATA:
            if isinstance(event, PacketReceived):
                t = self.timeline.place(event.epoch, event.time_ms, rx_s)
                if event.packet.name == IDENTITY_NAME and not event.late:
                    batch.identities.append(event)
                found.setdefault(event.packet.name, []).append((self._frames, rx_s, t, event))
            else:
                batch.events.append((self._frames, rx_s, self.timeline.last_t, event))


def decode_one_by_one(dictionary: Dictionary, chunks: Iterable[tuple[float, bytes]]) -> Iterator[Batch]:
    """Return the batch of every chunk, given as (rx_s, bytes), as it was decoded live."""
    decoder = LiveDecoder(dictionary)
    return (decoder.decode(chunk, rx_s) for rx_s, chunk in chunks)


def decode_recording(dictionary: Dictionary, chunks: Iterable[tuple[float, bytes]]) -> tuple[Batch, Ints]:
    """Return one batch of all received chunks, given as (rx_s, bytes), and the frames complete after 0, 1, ... chunks.

    The counts have shape (chunks + 1,). Bytes after the last whole frame belong to no batch.
    """
    pairs = list(chunks)
    data = b"".join(chunk for _, chunk in pairs)
    chunk_rx = np.array([rx_s for rx_s, _ in pairs], dtype=np.float64)
    chunk_end = np.cumsum([len(chunk) for _, chunk in pairs], dtype=np.int64)
    ends, arrivals = chunk_end.tolist(), chunk_rx.tolist()
    decoded = decode_stream(dictionary, data, lambda end: arrivals[bisect_right(ends, end)])
    frame_rx = chunk_rx[np.searchsorted(chunk_end, decoded.frame_end, side="right")] if pairs else np.zeros(0)
    sizes = _frame_bytes(data, decoded).astype(np.float64)
    rows: dict[str, Rows] = {}
    placed = _placed(decoded.packets, frame_rx)
    for name, packets in decoded.packets.items():
        t = placed.base_of(packets.epoch) + packets.time_ms / 1000.0
        rows[name] = Rows(packets.frame, t, frame_rx[packets.frame], packets.late, packets.columns)
    last_t = _running_last_t(rows, len(frame_rx))
    events: list[tuple[int, float, float, Event]] = [
        (frame, float(frame_rx[frame]), float(last_t[frame - 1]) if frame else 0.0, event) for frame, event in decoded.events
    ]
    frames_after = np.concatenate(([0], np.searchsorted(decoded.frame_end, chunk_end, side="left")))
    return Batch(rows, events, frame_rx, sizes, last_t), frames_after


def _frame_bytes(data: bytes, decoded: Decoded) -> Ints:
    """Return each frame's size on the wire, its delimiter included."""
    if decoded.frame_bytes is not None:
        return decoded.frame_bytes
    zeros = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == 0)
    starts = np.concatenate(([-1], zeros[:-1])) if zeros.size else zeros
    return (zeros - starts)[np.isin(zeros, decoded.frame_end, assume_unique=True)]


class _Bases:
    """The timeline's base of each epoch."""

    def __init__(self, bases: dict[int, float]) -> None:
        self._bases = bases

    def base_of(self, epochs: Ints) -> Floats | float:
        if len(self._bases) <= 1:
            return next(iter(self._bases.values()), 0.0)
        return np.array([self._bases[int(epoch)] for epoch in epochs])


def _placed(packets: dict[str, PacketColumns], frame_rx: Floats) -> _Bases:
    """Place the epochs as the timeline does live: each by what was heard up to its first packet, stragglers included."""
    if not packets:
        return _Bases({})
    order = np.concatenate([p.frame for p in packets.values()])
    by = np.argsort(order, kind="stable")
    order = order[by]
    epoch = np.concatenate([p.epoch for p in packets.values()])[by]
    time_ms = np.concatenate([p.time_ms for p in packets.values()])[by]
    timeline = Timeline()

    def place(row: int) -> None:
        timeline.place(int(epoch[row]), int(time_ms[row]), float(frame_rx[order[row]]))

    epochs = np.unique(epoch).tolist()
    first_of = sorted(int(np.argmax(epoch == one)) for one in epochs)
    for start, stop in zip(first_of, [*first_of[1:], len(order)], strict=True):
        place(start)
        for one in np.unique(epoch[start:stop]).tolist():  # nothing but the greatest time of each can be the greatest t
            mine = np.flatnonzero(epoch[start:stop] == one) + start
            place(int(mine[np.argmax(time_ms[mine])]))
        place(stop - 1)
    return _Bases({one: timeline.base(one) for one in epochs})


def _running_last_t(rows: dict[str, Rows], frames: int) -> Floats:
    """Return, for each frame, the greatest t of all packets up to and with it."""
    best = np.zeros(frames)
    for item in rows.values():
        best[item.order] = item.t
    return np.maximum.accumulate(best) if frames else best
