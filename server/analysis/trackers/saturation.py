"""Sensors at the end of their range: one figure that says which, since when and how often."""

from __future__ import annotations

from protocol.arrays import Floats
from protocol.dictionary import Dictionary
from protocol.fields import Channel
from server.analysis.figures.control import SaturatedFigure
from server.analysis.trackers.output import Instant, TrackerOutput
from server.flight.sensors.saturation import ends_of
from server.telemetry.batch import Batch, Rows

ROWS_IN_A_ROW = 2


class SaturationTracker:
    """Watches every channel whose dictionary entry tells where its sensor ends."""

    def __init__(self, dictionary: Dictionary) -> None:
        self._channels: dict[str, list[tuple[Channel, tuple[float, float]]]] = {}
        for packet in dictionary.packets.values():
            told = [(c, c.sensor_range) for c in packet.channels if c.sensor_range is not None and c.kind != "text"]
            if told:
                self._channels[packet.name] = told
        self._runs: dict[str, int] = {}
        self._found: dict[str, float] = {}

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Look at a batch; a channel is told once, when it has been at its end for two rows in a row."""
        hits: list[tuple[int, Rows, int, Channel]] = []
        for packet, channels in self._channels.items():
            rows = batch.rows.get(packet)
            if rows is None:
                continue
            for channel, ends in channels:
                if channel.path not in self._found:
                    row = self._first(channel.path, ends, rows.numbers(channel.name))
                    if row is not None:
                        hits.append((int(rows.order[row]), rows, row, channel))
        for _, rows, row, channel in sorted(hits, key=lambda hit: hit[0]):
            self._found[channel.path] = float(rows.t[row])
            figure = SaturatedFigure(
                t=min(self._found.values()),
                channels=tuple(sorted(self._found)),
                newest=channel.description or channel.path,
            )
            out.note_figure(Instant.of(rows, row), figure)

    def _first(self, path: str, sensor_range: tuple[float, float], values: Floats) -> int | None:
        ends = ends_of(values, *sensor_range)
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
