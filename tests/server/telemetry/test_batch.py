"""Rows made of live packets."""

from __future__ import annotations

import numpy as np
import pytest

from protocol.link import PacketReceived
from server.telemetry.batch import Batch, rows_from_events
from tests.protocol.helpers import SMALL


def test_rows_from_events() -> None:
    packet = SMALL.packets["all"]
    width = len(packet.channels)
    events = [
        (4, 10.0, 1.0, PacketReceived(packet, 9, 0, 1000, (*range(width - 1), "low"))),
        (6, 10.5, 0.9, PacketReceived(packet, 8, 0, 900, (*[float("nan")] * (width - 1), "é"), late=True)),
    ]
    rows = rows_from_events(events)
    assert len(rows) == 2
    assert (rows.order.tolist(), rows.rx_s.tolist(), rows.t.tolist()) == ([4, 6], [10.0, 10.5], [1.0, 0.9])
    assert rows.late.tolist() == [False, True]
    assert rows.columns["note"] == ["low", "é"]
    assert rows.columns["a_u8"].dtype == np.float64 and rows.columns["a_u8"][0] == 0.0
    assert np.isnan(rows.columns["a_f32"][1])
    assert list(rows.columns) == [channel.name for channel in packet.channels]

    assert rows.texts("note") == ["low", "é"] and rows.numbers("a_u8") is rows.columns["a_u8"]
    with pytest.raises(TypeError, match="note is a column of texts"):
        rows.numbers("note")
    with pytest.raises(TypeError, match="a_u8 is a column of numbers"):
        rows.texts("a_u8")


def test_an_empty_batch_has_no_frames() -> None:
    batch = Batch()
    assert (len(batch.frame_rx_s), len(batch.frame_bytes), len(batch.frame_t), batch.rows) == (0, 0, 0, {})
