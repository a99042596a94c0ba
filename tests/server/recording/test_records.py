"""Records, notes and headers."""

from __future__ import annotations

import json
import math
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.recording.pcapng import Direction
from server.recording.records import (
    MAX_PAYLOAD,
    RAW_KINDS,
    Kind,
    Record,
    decode_note,
    encode_note,
    encode_payload,
    header_fault,
    make_header,
    pack_record,
    route,
    unpack_record,
    utc_of,
)
from tests.server.recording.sessions import fixed_entropy, header_for, manual_clock


def test_layout_is_as_documented() -> None:
    """Kind u8, salt u32, sequence u64, monotonic u64, little-endian: the bytes by hand."""
    data = pack_record(Kind.SENT, 0x04030201, 0x1122334455667788, 0x0102030405060708, b"\xaa\xbb")
    assert data.hex(" ") == "03 01 02 03 04 88 77 66 55 44 33 22 11 08 07 06 05 04 03 02 01 aa bb"


def test_kind_numbers_are_frozen() -> None:
    assert {kind.name: int(kind) for kind in Kind} == {
        "RECEIVED": 1, "INTENT": 2, "SENT": 3, "OUTCOME": 4, "ACT": 5, "LINK": 6, "CLOCK": 7, "GAP": 8, "ALARM": 9,
        "MARK": 10, "HEADER": 11, "CLOSE": 12, "NOTE": 13,
    }  # fmt: skip


@given(st.integers(0, 255), st.integers(0, 2**32 - 1), st.integers(0, 2**64 - 1), st.integers(0, 2**64 - 1), st.binary())
def test_round_trip(kind: int, salt: int, sequence: int, mono_ns: int, payload: bytes) -> None:
    assert unpack_record(pack_record(kind, salt, sequence, mono_ns, payload)) == (
        salt,
        Record(kind, sequence, mono_ns, payload),
    )


def test_short_and_long_records_are_refused() -> None:
    with pytest.raises(ValueError, match="20 bytes are too few"):
        unpack_record(b"\0" * 20)
    assert unpack_record(b"\0" * 21)[1] == Record(0, 0, 0, b"")
    with pytest.raises(ValueError, match="longer than"):
        pack_record(Kind.RECEIVED, 0, 0, 0, b"x" * (MAX_PAYLOAD + 1))


def test_known_kinds_come_back_as_kinds_and_unknown_ones_as_numbers() -> None:
    assert unpack_record(pack_record(4, 0, 0, 0, b""))[1].kind is Kind.OUTCOME
    assert unpack_record(pack_record(200, 0, 0, 0, b""))[1].kind == 200


def test_raw_bytes_and_notes_go_to_different_interfaces() -> None:
    assert RAW_KINDS == {Kind.RECEIVED, Kind.SENT}
    assert route(Kind.RECEIVED) == (0, Direction.INBOUND)
    assert route(Kind.SENT) == (0, Direction.OUTBOUND)
    assert {route(kind) for kind in Kind if kind not in RAW_KINDS} == {(1, Direction.UNKNOWN)}


def test_payload_must_fit_the_kind() -> None:
    assert encode_payload(Kind.RECEIVED, bytearray(b"ab")) == b"ab"
    with pytest.raises(TypeError, match="RECEIVED record takes bytes"):
        encode_payload(Kind.RECEIVED, {"a": 1})
    with pytest.raises(TypeError, match="takes a mapping"):
        encode_payload(Kind.MARK, b"{}")
    with pytest.raises(TypeError, match="cannot hold a object"):
        encode_payload(Kind.MARK, {"a": object()})


def test_notes_are_strict_json_whatever_the_numbers() -> None:
    note = {
        "plain": 1.5, "nan": math.nan, "deep": [{"up": math.inf}, (-math.inf,)],
        "numpy": np.float64("nan"), "single": np.float32(0.5), "count": np.int64(3), "word": "18 °C",
    }  # fmt: skip
    data = encode_note(note)
    assert json.loads(data.decode("utf-8"), parse_constant=pytest.fail) == {
        "plain": 1.5, "nan": "nan", "deep": [{"up": "inf"}, ["-inf"]],
        "numpy": "nan", "single": 0.5, "count": 3, "word": "18 °C",
    }  # fmt: skip
    assert "°".encode() in data


def test_a_single_precision_nan_is_recorded_too() -> None:
    assert decode_note(encode_note({"x": np.float32("nan")})) == {"x": "nan"}


def test_lone_surrogates_survive() -> None:
    assert decode_note(encode_note({"file": "a\udc80b"})) == {"file": "a\udc80b"}


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"[]",
        b"1",
        b"{",
        b"\xff\xfe{}",
        b'{"a":NaN}',
        b"[" * 200_000,
        b'{"a":' * 100_000,
        b'{"n":' + b"9" * 5000 + b"}",
    ],  # fmt: skip
)
def test_crafted_notes_are_a_value_error(payload: bytes) -> None:
    with pytest.raises(ValueError):
        Record(Kind.NOTE, 0, 0, payload).note()


def test_header_holds_what_a_reader_needs() -> None:
    clock = manual_clock()
    header = make_header(
        clock, software="0.1", dictionary="text\n", vehicle={"name": "Sandpiper"}, site={}, source="demo",
        entropy=fixed_entropy,
    )  # fmt: skip
    assert header["dictionary"] == "text\n"
    assert (header["format_major"], header["format_minor"], header["part"]) == (1, 0, 1)
    assert (header["utc_ns"], header["monotonic_ns"], header["boottime_ns"]) == (
        clock.wall_ns(), clock.monotonic_ns(), clock.boottime_ns(),
    )  # fmt: skip
    assert header["salt"] == struct.unpack("<I", fixed_entropy(4))[0]
    assert len(str(header["session"])) == 32 and str(header["session"])[12] == "4"  # a random UUID, RFC 9562
    assert make_header(clock, software="", dictionary="", vehicle={}, site={}, source="")["salt"] != header["salt"]


def test_utc_follows_the_parts_own_anchors() -> None:
    clock = manual_clock()
    header = header_for(clock)
    assert utc_of(header, clock.monotonic_ns() + 5) == clock.wall_ns() + 5
    assert utc_of({"utc_ns": 3, "monotonic_ns": 10}, 2) == 0


def good_header() -> dict[str, object]:
    return {**header_for(manual_clock()), "preamble_bytes": 128, "preamble_crc32": 0}


def test_a_good_header_has_no_fault() -> None:
    assert header_fault(good_header()) is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"application": "Other"}, "is not a Blockhouse session"),
        ({"format_major": 2}, "was made by a newer Blockhouse (format 2); this one reads format 1"),
        ({"format_major": "1"}, "is not a Blockhouse session"),
        ({"session": "short"}, "without a session id"),
        ({"salt": -1}, "salt makes no sense"),
        ({"salt": 1 << 32}, "salt makes no sense"),
        ({"part": 0}, "part makes no sense"),
        ({"part": True}, "part makes no sense"),
        ({"utc_ns": "now"}, "utc_ns makes no sense"),
        ({"monotonic_ns": 1 << 64}, "monotonic_ns makes no sense"),
    ],
)
def test_unusable_headers_are_named(change: dict[str, object], words: str) -> None:
    assert words in (header_fault({**good_header(), **change}) or "")


def test_a_newer_minor_is_read() -> None:
    assert header_fault({**good_header(), "format_minor": 7, "new_thing": []}) is None
