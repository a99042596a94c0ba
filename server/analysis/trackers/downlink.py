"""The downlink as it is heard: a row per second of arrival, restarts and strange packets as entries."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from protocol.arrays import Floats
from protocol.events import (
    BootIdLearned,
    BytesSkipped,
    Event,
    FrameDamaged,
    PacketRepeated,
    PacketUnknown,
    SequenceGap,
    VehicleRestarted,
)
from server.analysis.trackers.output import Instant, TrackerOutput
from server.flight.link.link_quality import LinkQuality, LinkSecond
from server.telemetry.batch import Batch, Rows


class DownlinkTracker:
    """Counts frames and looks at what the link machine reported."""

    def __init__(self) -> None:
        self.link = LinkQuality()

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Count a batch."""
        self._count(batch, out)
        self._note_events(batch, out)

    def _count(self, batch: Batch, out: TrackerOutput) -> None:
        """Walk through the frames once; everything that is not a plain good packet is looked up by its order."""
        count = len(batch.frame_rx_s)
        if not count:
            return
        received = np.zeros(count, dtype=np.int64)
        for rows in batch.rows.values():
            received[rows.order - batch.first_order] = 1
        special: dict[int, list[Event]] = {}
        for order, _, _, event in batch.events:
            special.setdefault(order - batch.first_order, []).append(event)
        ended: list[tuple[int, float, LinkSecond]] = []
        for start, stop in runs_of_seconds(batch.frame_rx_s):
            rx_s = float(batch.frame_rx_s[start])
            lost, damaged, repeated = _tally(special, start, stop)
            size = float(batch.frame_bytes[start:stop].sum())
            second = self.link.take(rx_s, int(received[start:stop].sum()), lost, damaged, repeated, size)
            if second is not None:
                ended.append((batch.first_order + start, rx_s, second))
        if ended:
            out.rows["ground_link"] = self._link_rows(batch, ended)

    def _link_rows(self, batch: Batch, ended: list[tuple[int, float, LinkSecond]]) -> Rows:
        seconds = [second for _, _, second in ended]
        return Rows(
            np.array([order for order, _, _ in ended], dtype=np.int64),
            np.array([batch.frame_t[order - batch.first_order] for order, _, _ in ended]),
            np.array([rx_s for _, rx_s, _ in ended]),
            np.zeros(len(ended), dtype=bool),
            {
                "loss": np.array([s.loss for s in seconds]),
                "rate": np.array([s.bytes_per_s for s in seconds]),
                "received": np.array([float(s.received) for s in seconds]),
                "lost": np.array([float(s.lost) for s in seconds]),
                "damaged": np.array([float(s.damaged) for s in seconds]),
                "repeated": np.array([float(s.repeated) for s in seconds]),
            },
        )

    def _note_events(self, batch: Batch, out: TrackerOutput) -> None:
        for order, rx_s, t, event in batch.events:
            at = Instant(order, rx_s, t)
            if isinstance(event, VehicleRestarted):
                named = f", start number {event.boot_id}" if event.boot_id is not None else " (a guess: its clock fell back)"
                body = {"boot_id": event.boot_id, "epoch": event.epoch}
                out.note(at, "restart", "vehicle", "warning", f"the vehicle restarted{named}", body)
            elif isinstance(event, BootIdLearned):
                out.note(at, "restart", "boot_id", "info", "", {"boot_id": event.boot_id})
            elif isinstance(event, PacketUnknown):
                named = f"packet with APID {event.apid}" if event.apid >= 0 else "a line's first value"
                text = f"{named} is not in the dictionary"
                out.note(at, "damage", f"apid {event.apid}", "caution", text)


def runs_of_seconds(rx_s: Floats) -> list[tuple[int, int]]:
    """Cut frames into runs that arrived within the same whole second, so that a long recording is walked in few steps."""
    cuts = np.flatnonzero(np.diff(np.floor(rx_s))) + 1
    edges = [0, *cuts.tolist(), len(rx_s)]
    return list(zip(edges[:-1], edges[1:], strict=True))


def _tally(special: Mapping[int, list[Event]], start: int, stop: int) -> tuple[int, int, int]:
    lost = damaged = repeated = 0
    if special:
        for index in [i for i in special if start <= i < stop] if len(special) < 64 else range(start, stop):
            for event in special.get(index, ()):
                if isinstance(event, SequenceGap):
                    lost += event.missing if event.missing is not None else 1
                elif isinstance(event, FrameDamaged | BytesSkipped):
                    damaged += 1
                elif isinstance(event, PacketRepeated):
                    repeated += 1
    return lost, damaged, repeated
