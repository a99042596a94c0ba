"""Sensors at the end of their range: one figure that says which, since when and how often."""

from __future__ import annotations

import numpy as np

from protocol.dictionary import Dictionary
from protocol.fields import Channel
from server.analysis.trackers.found import Found
from server.flight.sensors.saturation import ends_of
from server.telemetry.batch import Batch

ROWS_IN_A_ROW = 2


class SaturationTracker:
    """Watches every channel whose dictionary entry tells where its sensor ends."""

    def __init__(self, dictionary: Dictionary) -> None:
        self._channels: dict[str, list[tuple[str, Channel]]] = {}
        for packet in dictionary.packets.values():
            told = [(channel.path, channel) for channel in packet.channels if channel.sensor_range is not None]
            if told:
                self._channels[packet.name] = told
        self._runs: dict[str, int] = {}
        self._found: dict[str, float] = {}

    def take(self, batch: Batch, out: Found) -> None:
        """Look at a batch; a channel is told once, when it has been at its end for two rows in a row."""
        hits = []
        for packet, channels in self._channels.items():
            rows = batch.rows.get(packet)
            if rows is None:
                continue
            for path, channel in channels:
                if path not in self._found:
                    row = self._first(path, channel, rows.columns[channel.name])
                    if row is not None:
                        hits.append((int(rows.order[row]), rows, row, channel))
        for _, rows, row, channel in sorted(hits, key=lambda hit: hit[0]):
            self._found[channel.path] = float(rows.t[row])
            text = f"at the end of its range: {channel.description or channel.path}"
            body = {"t": min(self._found.values()), "channels": sorted(self._found)}
            out.note_row(rows, row, "figure", "saturated", "caution", text, body)

    def _first(self, path: str, channel: Channel, values: np.ndarray) -> int | None:
        ends = ends_of(values, *channel.sensor_range)
        if not ends:
            self._runs[path] = 0
            return None
        run = self._runs.get(path, 0)
        for row, end in enumerate(ends):
            run = run + 1 if end else 0
            if run >= ROWS_IN_A_ROW:
                return row
        self._runs[path] = run
        return None
