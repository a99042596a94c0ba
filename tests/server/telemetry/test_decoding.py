"""Batches of one chunk and of a whole recording: frames, their arrival and their size, however the bytes are cut."""

from __future__ import annotations

import random

import numpy as np

from server.telemetry.decoding import LiveDecoder, decode_recording
from tests.server.flights import dictionary, flown
from tests.traffic import mixed_frames


def cut(stream: bytes, rng: random.Random, longest: int) -> list[tuple[float, bytes]]:
    """Cut a stream at random; chunks arrive 10 ms apart."""
    out, at = [], 0
    while at < len(stream):
        size = rng.randint(1, longest)
        out.append((len(out) * 0.01, stream[at : at + size]))
        at += size
    return out


def live(chunks: list[tuple[float, bytes]]) -> tuple[list[float], list[float], list[float], dict[str, list[float]]]:
    decoder = LiveDecoder(dictionary())
    rx, sizes, last_t, rows = [], [], [], {}
    for rx_s, chunk in chunks:
        batch = decoder.decode(chunk, rx_s)
        assert batch.first_order == len(rx)
        rx += batch.frame_rx_s.tolist()
        sizes += batch.frame_bytes.tolist()
        last_t += batch.frame_t.tolist()
        for name, part in batch.rows.items():
            rows.setdefault(name, []).extend(part.t.tolist())
    return rx, sizes, last_t, rows


def test_frames_of_a_real_flight_in_any_cut() -> None:
    stream = flown("thin-link").stream[:60_000]
    for seed, longest in ((1, 1), (2, 17), (3, 300), (4, 5000)):
        chunks = cut(stream, random.Random(seed), longest)
        whole, frames_after = decode_recording(dictionary(), chunks)
        rx, sizes, last_t, rows = live(chunks)
        assert (rx, sizes, last_t) == (whole.frame_rx_s.tolist(), whole.frame_bytes.tolist(), whole.frame_t.tolist())
        assert rows == {name: part.t.tolist() for name, part in whole.rows.items()}
        assert len(frames_after) == len(chunks) + 1 and frames_after[-1] == len(rx)
        assert (np.diff(frames_after) >= 0).all()


def test_sizes_are_bytes_on_the_wire_and_arrival_is_that_of_the_last_byte() -> None:
    frames = mixed_frames(dictionary(), 5)
    chunks = [(1.0, frames[0][:-1]), (2.0, frames[0][-1:] + frames[1] + frames[2][:3]), (3.0, frames[2][3:] + b"\0\0")]
    batch, frames_after = decode_recording(dictionary(), chunks)
    assert batch.frame_bytes.tolist() == [len(frame.lstrip(b"\0")) for frame in frames[:3]]  # a zero before belongs to none
    assert batch.frame_rx_s.tolist() == [2.0, 2.0, 3.0]
    assert frames_after.tolist() == [0, 0, 2, 3]


def test_nothing_recorded() -> None:
    batch, frames_after = decode_recording(dictionary(), [])
    assert (batch.rows, batch.events, frames_after.tolist()) == ({}, [], [0])
    batch, frames_after = decode_recording(dictionary(), [(0.5, b"\0\0\0"), (0.6, b"abc")])
    assert (len(batch.frame_rx_s), frames_after.tolist()) == (0, [0, 0, 0])


def test_boot_banner_in_text_is_no_packet_and_the_first_frame_after_it_is_heard() -> None:
    """Fault 17: the radio prints a banner when the port is opened; fault 18: somebody sends AT commands."""
    frames = mixed_frames(dictionary(), 3)
    banner = b"\r\nRadio v2.1 ready\r\nAT\r\nOK\r\n"
    batch, _ = decode_recording(dictionary(), [(0.0, banner + b"\0" + b"".join(frames))])
    assert sum(len(rows) for rows in batch.rows.values()) == 3
    assert len(batch.events) >= 1
