"""The downlink by kind of packet: a series of frames for judging, and every minute what was lost of which kind."""

from __future__ import annotations

import numpy as np

from protocol.dictionary import Dictionary
from protocol.events import SequenceGap
from server.analysis.figures.link import KindCount, LinkTypesFigure
from server.analysis.trackers.output import Instant, TrackerOutput
from server.flight.link.link_types import LinkTypes
from server.telemetry.batch import Batch, Rows

EVERY_S = 60.0


class PacketKindsTracker:
    """Counts good frames by kind; `frames` is the last batch's rows with columns kind, gap (packets missing) and size."""

    def __init__(self, dictionary: Dictionary) -> None:
        self._names = list(dictionary.packets)
        self._types = LinkTypes(len(self._names), float(dictionary.modem_baud or 57600))
        self._next_s: float | None = None
        self.frames: Rows | None = None

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Count a batch."""
        self.frames = self._frames(batch)
        frames = self.frames
        if frames is None:
            return
        if self._next_s is None:
            self._next_s = float(frames.rx_s[0]) + EVERY_S
        start = 0
        while start < len(frames):
            stop = int(np.searchsorted(frames.rx_s, self._next_s))
            stop = min(max(stop, start), len(frames))
            self._count(frames, start, stop)
            if stop == len(frames):
                break
            self._note(frames, stop, out)
            self._next_s = float(frames.rx_s[stop]) + EVERY_S
            start = stop

    def _frames(self, batch: Batch) -> Rows | None:
        parts = [(place, batch.rows[name]) for place, name in enumerate(self._names) if name in batch.rows]
        if not parts:
            return None
        order = np.concatenate([rows.order for _, rows in parts])
        by = np.argsort(order, kind="stable")
        kind = np.concatenate([np.full(len(rows), place) for place, rows in parts])[by]
        order = order[by]
        t = np.concatenate([rows.t for _, rows in parts])[by]
        rx_s = np.concatenate([rows.rx_s for _, rows in parts])[by]
        gap = np.zeros(len(order), dtype=np.int64)
        for at, _, _, event in batch.events:
            if isinstance(event, SequenceGap):
                row = int(np.searchsorted(order, at))
                if row < len(order) and order[row] == at:
                    gap[row] = event.missing if event.missing is not None else 1
        size = batch.frame_bytes[order - batch.first_order]
        late = np.zeros(len(order), dtype=bool)
        columns = {"kind": kind.astype(np.float64), "gap": gap.astype(np.float64), "size": size, "rx": rx_s}
        return Rows(order, t, rx_s, late, columns)

    def _count(self, frames: Rows, start: int, stop: int) -> None:
        if stop > start:
            part = slice(start, stop)
            kind, gap, size = (frames.numbers(name)[part].astype(np.int64) for name in ("kind", "gap", "size"))
            self._types.take(kind, gap, frames.rx_s[part], size)

    def _note(self, frames: Rows, row: int, out: TrackerOutput) -> None:
        now = float(frames.rx_s[row])
        kinds = {
            name: KindCount(received=r.received, lost=r.lost, mean_burst=r.mean_burst, silence_s=r.longest_silence_s)
            for name, r in zip(self._names, self._types.report(now), strict=True)
            if r.received
        }
        at = Instant.of(frames, row)
        out.note_figure(at, LinkTypesFigure(t=at.t, use=self._types.use(now), kinds=kinds))
