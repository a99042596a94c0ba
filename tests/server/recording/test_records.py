"""Records and notes."""

from __future__ import annotations

import json
import math

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
    pack_record,
    route,
    unpack_record,
)


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
