"""The packet under the cursor against the recorded bytes, read by libraries that share nothing with the decoder."""

from __future__ import annotations

import warnings
from dataclasses import asdict
from functools import cache
from math import degrees, isnan
from pathlib import Path

import construct
import numpy as np
import pytest
from cobs import cobs
from pcapng import FileScanner
from spacepackets.ccsds.spacepacket import SpacePacketHeader

from server.json_text import to_json
from server.review.packets import Arrival, packets_at
from server.review.review import Review, open_review

SAMPLE = Path(__file__).resolve().parents[3] / "replay_samples" / "gusty-bad-number.pcapng"
NAVIGATION_APID = 16
RECORD_HEAD, RECEIVED = 21, 1
STATE = construct.Struct(
    "time_ms" / construct.Int32ub,
    "values" / construct.Array(13, construct.Float32b),
)


@cache
def review() -> Review:
    """The sample, opened once."""
    return open_review(SAMPLE)


@cache
def frames() -> list[bytes]:
    """Every frame of the recording with its delimiter, in order, out of the file's blocks by another reader of pcapng."""
    stream = b""
    with SAMPLE.open("rb") as file, warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of the other reader's own, about an option's type
        for block in FileScanner(file):
            data = getattr(block, "packet_data", b"")
            if data and data[0] == RECEIVED:
                stream += data[RECORD_HEAD:]
    return [piece + b"\0" for piece in stream.split(b"\0")[:-1] if piece]


def bad_frame() -> int:
    """The place of the one frame whose state vector holds no number."""
    for place, frame in enumerate(frames()):
        content = cobs.decode(frame[:-1])
        if SpacePacketHeader.unpack(content).apid == NAVIGATION_APID:
            if any(isnan(value) for value in STATE.parse(content[6:])["values"]):
                return place
    raise AssertionError("the sample holds no bad number")


def at(rx_s: float) -> Arrival:
    """What had arrived, and it has a form in JSON."""
    arrival = packets_at(review(), rx_s)
    assert arrival is not None and to_json(asdict(arrival))
    return arrival


def test_the_frame_that_stopped_being_a_number_is_shown_byte_by_byte() -> None:
    place = bad_frame()
    rows = review().output.rows["navigation"]
    (row,) = np.flatnonzero(np.isnan(rows.columns["q_w"]))
    (shown,) = [one for one in at(float(rows.rx_s[row])).packets if one.index == place]
    wire = frames()[place]
    content = cobs.decode(wire[:-1])
    header, state = SpacePacketHeader.unpack(content), STATE.parse(content[6:])
    assert shown.name == "navigation" and bytes.fromhex(shown.hex) == wire and shown.size == len(wire)
    assert (shown.count, shown.time_ms) == (header.seq_count, state["time_ms"])
    assert shown.t == pytest.approx(25.0) and not shown.wrong
    assert [one.bad for one in shown.fields] == ["not a number" if isnan(v) else "" for v in state["values"]]
    assert sum(one.bad != "" for one in shown.fields) == 7
    for one, told in zip(shown.fields, state["values"], strict=True):
        if one.bad:
            assert one.value is None
        else:
            assert one.value == pytest.approx(degrees(told) if one.unit == "deg/s" else told)


def test_every_frame_is_where_it_arrived_and_none_is_missing() -> None:
    arrivals = np.unique(review().output.batch.frame_rx_s)
    seen = [one for rx_s in arrivals[:400] for one in at(float(rx_s)).packets]
    assert [one.index for one in seen] == list(range(len(seen))) and len(seen) > 800
    assert [bytes.fromhex(one.hex) for one in seen] == frames()[: len(seen)]
    between = at(float(arrivals[10] + arrivals[11]) / 2)
    assert between.rx_s == arrivals[10], "what comes later has not arrived"
    assert packets_at(review(), float(arrivals[0]) - 1.0) is None


def test_a_damaged_frame_says_what_is_wrong_with_it() -> None:
    other = open_review(SAMPLE.with_name("calm.pcapng"))
    (order, rx_s, _, _) = next(event for event in other.output.batch.events if type(event[3]).__name__ == "FrameDamaged")
    shown = next(one for one in packets_at(other, rx_s).packets if one.index == order)
    assert shown.wrong == "bad checksum" and shown.t is None and shown.fields == () and len(shown.hex) > 0
