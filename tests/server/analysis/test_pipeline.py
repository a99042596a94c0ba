"""A recording taken whole gives exactly what the live path gave, however the bytes were cut: promise 1 of the design."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from protocol.vehicle import VehicleLink
from server.analysis.pipeline import Output, Pipeline, recorded_output
from server.design.sheet_numbers import NOTHING_TOLD, SheetNumbers
from server.recording.records import Kind, Record, encode_note
from server.telemetry.batch import Rows
from server.telemetry.journal import JournalEntry
from tests.traffic import KEY, mixed_frames, random_values

ORIGIN_NS = 5_000_000_000


def live_output(dictionary: Dictionary, records: list[Record], facts: SheetNumbers = NOTHING_TOLD) -> Output:
    """Feed records one by one and join what comes out."""
    pipeline = Pipeline(dictionary, ORIGIN_NS, facts)
    pieces: dict[str, list[Rows]] = {}
    entries: list[JournalEntry] = []
    for record in records:
        output = pipeline.take(record)
        for name, rows in output.rows.items():
            pieces.setdefault(name, []).append(rows)
        entries += output.entries
    return Output({name: joined(parts) for name, parts in pieces.items()}, entries)


def joined(parts: list[Rows]) -> Rows:
    """Concatenate rows of one table."""
    columns = {}
    for name, first in parts[0].columns.items():
        values = [part.columns[name] for part in parts]
        columns[name] = sum(values, []) if isinstance(first, list) else np.concatenate(values)
    return Rows(
        np.concatenate([p.order for p in parts]),
        np.concatenate([p.t for p in parts]),
        np.concatenate([p.rx_s for p in parts]),
        np.concatenate([p.late for p in parts]),
        columns,
    )


def assert_same(live: Output, whole: Output) -> None:
    """Compare two outputs bit for bit (NaN equals NaN)."""
    assert live.rows.keys() == whole.rows.keys()
    for name, rows in live.rows.items():
        other = whole.rows[name]
        for one, two in ((rows.order, other.order), (rows.t, other.t), (rows.rx_s, other.rx_s), (rows.late, other.late)):
            assert np.array_equal(one, two), name
        for column, values in rows.columns.items():
            if isinstance(values, list):
                assert values == other.columns[column], (name, column)
            else:
                assert np.array_equal(values, other.columns[column], equal_nan=True), (name, column)
                finite = np.isfinite(values)
                assert np.array_equal(np.signbit(values[finite]), np.signbit(other.columns[column][finite])), (name, column)
    assert len(live.entries) == len(whole.entries)
    for one, two in zip(live.entries, whole.entries, strict=True):
        assert _plain(one) == _plain(two)


def _plain(entry: JournalEntry) -> str:
    return repr(entry)  # NaN prints as nan on both sides


def cut(stream: bytes, rng: random.Random, longest: int) -> list[Record]:
    """Cut a stream into received records at random places, with notes thrown in."""
    records: list[Record] = []
    position, now_ns = 0, ORIGIN_NS
    while position < len(stream):
        size = rng.randint(1, longest)
        now_ns += rng.randint(1, 40_000_000)
        records.append(Record(Kind.RECEIVED, len(records), now_ns, stream[position : position + size]))
        position += size
        if rng.random() < 0.05:
            note = {"key": f"m{len(records)}", "severity": "info", "text": "mark", "body": {"n": len(records)}}
            records.append(Record(Kind.MARK, len(records), now_ns, encode_note(note)))
    return records


def lossy(frames: list[bytes], rng: random.Random) -> list[bytes]:
    """Drop, double, swap and damage some frames."""
    out: list[bytes] = []
    for frame in frames:
        dice = rng.random()
        if dice < 0.15:
            continue
        if dice < 0.2:
            out += [frame, frame]
        elif dice < 0.25 and out:
            out.insert(len(out) - 1, frame)
        elif dice < 0.3:
            at = rng.randrange(len(frame))
            out.append(frame[:at] + bytes([frame[at] ^ 1 << rng.randrange(8)]) + frame[at + 1 :])
        elif dice < 0.31:
            out += [bytes(rng.randrange(1, 256) for _ in range(400)) + b"\0", b"\0", frame]
        else:
            out.append(frame)
    return out


@pytest.mark.parametrize("seed", range(6))
def test_whole_equals_live_on_damaged_traffic(seed: int) -> None:
    rng = random.Random(seed)
    dictionary = load_dictionary()
    frames = mixed_frames(dictionary, 3000, seed)
    stream = b"".join(lossy(frames, rng) if seed else frames)
    records = cut(stream, rng, longest=(3, 30, 200, 1000, 90, 7)[seed])
    live = live_output(dictionary, records)
    assert_same(live, recorded_output(dictionary, records, ORIGIN_NS))
    assert sum(len(rows) for rows in live.rows.values()) > 1500


def test_whole_equals_live_across_a_restart_and_non_finite_numbers() -> None:
    rng = random.Random(9)
    dictionary = load_dictionary()
    stream = b""
    for boot_id in (4, 5):
        link = VehicleLink(dictionary, KEY, boot_id)
        for i in range(400):
            for name in ("navigation", "imu_a", "barometer", "link", "identity"):
                values = random_values(dictionary, name, rng)
                if name == "identity":
                    values.update(boot_high=0, boot_low=boot_id)
                if name == "navigation" and i == 100:
                    values.update(q_w=math.nan, rate_x=math.inf)
                stream += link.frame(name, i * 50, values)
    records = cut(stream, rng, 150)
    live = live_output(dictionary, records)
    assert_same(live, recorded_output(dictionary, records, ORIGIN_NS))
    # The clock tells first, the start id follows with the next identity packet.
    assert [(bool(e.text), e.body["boot_id"]) for e in live.entries if e.topic == "restart"] == [
        (False, 4),
        (True, None),
        (False, 5),
    ]
    assert sum(e.topic == "health" for e in live.entries) == 2
    t = live.rows["barometer"].t
    assert (np.diff(t) >= 0).all() and t[-1] > 39.0


def test_a_session_taken_up_after_a_crash_goes_on_as_if_nothing_had_happened() -> None:
    rng = random.Random(3)
    dictionary = load_dictionary()
    records = cut(b"".join(lossy(mixed_frames(dictionary, 2500, 3), rng)), rng, 200)
    before, after = records[: len(records) // 2], records[len(records) // 2 :]
    pipeline = Pipeline(dictionary, ORIGIN_NS)
    outputs = [pipeline.take_up(before), *[pipeline.take(record) for record in after]]
    pieces: dict[str, list[Rows]] = {}
    for output in outputs:
        for name, rows in output.rows.items():
            pieces.setdefault(name, []).append(rows)
    entries = [entry for output in outputs for entry in output.entries]
    taken_up = Output({name: joined(parts) for name, parts in pieces.items()}, entries)
    assert_same(taken_up, live_output(dictionary, records))


def test_a_note_that_is_not_json_is_shown_as_unreadable() -> None:
    record = Record(Kind.MARK, 0, ORIGIN_NS, b"\xff{")
    (entry,) = Pipeline(load_dictionary(), ORIGIN_NS).take(record).entries
    assert entry.key == "unreadable"
