"""Late frames are old news, not restarts; a restart stays a restart. Live and whole give the same each time."""

from __future__ import annotations

import random

import pytest

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.events import Event, VehicleRestarted
from server.telemetry.decoding import LiveDecoder, decode_recording
from tests.protocol.helpers import SMALL, SMALL_VALUES, beat, telemetry

ALL = SMALL.packets["all"]
FIELDS = ALL.pack(SMALL_VALUES)
PERIOD_S = 0.1
Chunks = list[tuple[float, bytes]]

LINES_TEXT = """
[dictionary]
format = 1
name = "lines"
version = "1"
vehicle = "Test stand"
[framing]
kind = "text"
checksum = "xor8"
[packet.state]
apid = 1
time = "time"
fields = [ { name = "time", type = "f64", unit = "s" }, { name = "n", type = "u8" } ]
"""
LINES = parse_dictionary(LINES_TEXT, "lines.toml")


def line(time_s: float, n: int) -> bytes:
    text = f"{time_s:.3f},{n % 256}".encode()
    code = 0
    for byte in text:
        code ^= byte
    return text + b"*%02X\n" % code


def plain(count: int, time_s: float) -> bytes:
    """Return a frame that tells no boot id."""
    return telemetry(1, count, round(time_s * 1000), FIELDS)


def flown(dictionary: Dictionary, chunks: Chunks) -> tuple[list[Event], list[tuple[float, float, bool]]]:
    """Return events and (arrival, t, late) of the rows of the first packet kind, live; the whole must be the same."""
    decoder = LiveDecoder(dictionary)
    batches = [decoder.decode(chunk, rx_s) for rx_s, chunk in chunks]
    assert all(batch.failure is None for batch in batches)
    name = next(iter(dictionary.packets))
    live = [
        (rx_s, t, late)
        for batch in batches
        if name in batch.rows
        for rx_s, t, late in zip(
            batch.rows[name].rx_s.tolist(), batch.rows[name].t.tolist(), batch.rows[name].late.tolist(), strict=True
        )
    ]
    events = [event for batch in batches for event in batch.events]
    whole, _ = decode_recording(dictionary, chunks)
    rows = whole.rows[name]
    assert list(zip(rows.rx_s.tolist(), rows.t.tolist(), rows.late.tolist(), strict=True)) == live
    assert whole.events == events
    return [event for _, _, _, event in events], live


def restarts(events: list[Event]) -> list[VehicleRestarted]:
    return [event for event in events if isinstance(event, VehicleRestarted)]


def blip(up_s: float, frame, held_s: float = 2.5, seed: int = 1) -> Chunks:
    """Return 10 s of frames from `up_s` on, those of `held_s` in the middle held back, then delivered in any order."""
    sent = [(up_s + i * PERIOD_S, frame(i, up_s + i * PERIOD_S)) for i in range(100)]
    held = [data for at_s, data in sent if up_s + 4.0 <= at_s < up_s + 4.0 + held_s]
    random.Random(seed).shuffle(held)
    chunks: Chunks = []
    for at_s, data in sent:
        if at_s < up_s + 4.0 or at_s >= up_s + 4.0 + held_s:
            chunks.append((at_s - up_s, data))
            if held and at_s > up_s + 4.0:
                chunks += [(at_s - up_s, one) for one in held]
                held = []
    return chunks


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("up_s", [0.0, 100.0])
def test_frames_held_back_and_delivered_in_any_order_are_late_and_no_restart(up_s: float, seed: int) -> None:
    events, rows = flown(SMALL, [(0.0, beat(0, round(up_s * 1000))), *blip(up_s, plain, seed=seed)])
    assert restarts(events) == []
    assert len(rows) == 100
    assert rows[-1][2] is False


def test_frames_that_tell_the_boot_id_come_late_without_a_restart() -> None:
    chunks = blip(100.0, lambda i, at_s: plain(i, at_s) + beat(i, round(at_s * 1000)))
    assert restarts(flown(SMALL, chunks)[0]) == []


def test_a_format_without_an_id_is_held_against_the_lag() -> None:
    chunks = blip(100.0, lambda i, at_s: line(at_s, i))
    assert restarts(flown(LINES, chunks)[0]) == []


def restarted(up_s: float, down_s: float, frame) -> Chunks:
    """Return 10 s of frames, then of the start after, first heard `down_s` after the last."""
    before = [(i * PERIOD_S, frame(i, up_s + i * PERIOD_S)) for i in range(100)]
    began_s = before[-1][0] + down_s
    return before + [(began_s + i * PERIOD_S, frame(i, 0.2 + i * PERIOD_S)) for i in range(100)]


@pytest.mark.parametrize("down_s", [0.4, 3.0, 600.0])
@pytest.mark.parametrize(("dictionary", "frame"), [(SMALL, plain), (LINES, lambda i, at_s: line(at_s, i))])
def test_a_clock_that_starts_anew_is_a_restart_at_once_and_nothing_of_it_is_late(dictionary, frame, down_s: float) -> None:
    events, rows = flown(dictionary, restarted(100.0, down_s, frame))
    assert restarts(events) == [VehicleRestarted(None, 1)]
    assert not any(late for _, _, late in rows)


def test_a_restart_whose_bytes_waited_in_the_computer_is_one() -> None:
    """The station stood still: everything of 5 s, the restart among it, arrives at one moment."""
    chunks = [(13.0 if 8.0 <= rx_s <= 13.0 else rx_s, data) for rx_s, data in restarted(100.0, 0.4, plain)]
    events, rows = flown(SMALL, chunks)
    assert restarts(events) == [VehicleRestarted(None, 1)]
    assert not any(late for _, _, late in rows)


@pytest.mark.parametrize("named", [False, True])
def test_what_comes_late_of_the_start_before_is_one_restart_and_its_old_news(named: bool) -> None:
    """Half of the last frames of the start before arrive among the first of the new one."""
    chunks = restarted(100.0, 0.4, plain)
    held = chunks[80:100:2]
    kept = [chunk for chunk in chunks if chunk not in held]
    for n, (_, data) in enumerate(held):
        at_s = kept[92 + 2 * n][0]
        kept.insert(93 + 2 * n, (at_s, data))
    if named:
        kept.insert(91, (kept[91][0], beat(0, 300, 6)))
        kept.insert(0, (0.0, beat(0, 100_000, 5)))
    events, rows = flown(SMALL, kept)
    assert len(restarts(events)) == 1
    assert sum(late for _, _, late in rows) == 10


def test_a_late_frame_that_names_the_start_before_changes_nothing() -> None:
    late = beat(19, 109_500, 5)
    chunks = [(0.0, beat(0, 100_000, 5)), *restarted(100.0, 0.4, plain)]
    chunks.insert(110, (chunks[109][0], beat(0, 900, 6)))
    chunks.insert(120, (chunks[119][0], late))
    decoder = LiveDecoder(SMALL)
    for rx_s, data in chunks:
        decoder.decode(data, rx_s)
    assert decoder.link.boot_id == 6
    assert len(restarts(flown(SMALL, chunks)[0])) == 1


def test_a_clock_set_back_is_taken_for_a_restart_when_nothing_else_is_heard_for_seconds() -> None:
    before = [(i * PERIOD_S, plain(i, 1000.0 + i * PERIOD_S)) for i in range(100)]
    after = [(10.0 + i * PERIOD_S, plain(100 + i, 500.0 + i * PERIOD_S)) for i in range(200)]
    events, rows = flown(SMALL, before + after)
    assert restarts(events) == [VehicleRestarted(None, 1)]
    assert [late for rx_s, _, late in rows if rx_s > 15.5] == [False] * sum(rx_s > 15.5 for rx_s, _, _ in rows)


def test_a_late_frame_much_older_than_the_counts_remembered_costs_no_count() -> None:
    """Old news moves no sequence count: what follows it is no gap."""
    chunks = [(i * 0.01, plain(i, 100.0 + i * 0.01)) for i in range(1000) if i != 100]
    chunks.append((9.995, plain(100, 101.0)))
    chunks += [(i * 0.01, plain(i, 100.0 + i * 0.01)) for i in range(1000, 1010)]
    events, rows = flown(SMALL, chunks)
    assert [type(event).__name__ for event in events] == ["SequenceGap"]
    assert sum(late for _, _, late in rows) == 1


def test_random_disorder_is_the_same_live_and_whole() -> None:
    for seed in range(20):
        rng = random.Random(seed)
        chunks: Chunks = []
        rx_s, began_s, boot_id, n = 0.0, -rng.uniform(0, 50), 5, 0
        for _ in range(400):
            rx_s += rng.expovariate(20.0)
            if rng.random() < 0.01:
                began_s, boot_id, n = rx_s, boot_id + 1, 0
            old_s = rng.choice([0.0, 0.0, 0.0, rng.uniform(0, 8)])
            time_ms = max(0, round((rx_s - began_s - old_s) * 1000))
            data = plain(n, time_ms / 1000) if rng.random() < 0.9 else beat(n, time_ms, rng.choice([boot_id, boot_id - 1]))
            n += 1
            chunks.append((rx_s, data))
        flown(SMALL, chunks)
