"""Which frames and which components of a state vector are no numbers."""

from __future__ import annotations

import struct

import numpy as np

from server.flight.sensors.health import nonfinite_names, nonfinite_rows


def f32(bits: int) -> float:
    """A 32-bit float of that bit pattern (IEEE 754), as it comes off the wire."""
    return struct.unpack(">f", struct.pack(">I", bits))[0]


def test_every_kind_of_not_finite_and_every_kind_of_finite() -> None:
    patterns = {
        0x7FC00000: True,  # quiet NaN
        0x7F800001: True,  # signaling NaN
        0xFFFFFFFF: True,  # NaN as erased flash reads
        0x7F800000: True,  # infinity
        0xFF800000: True,
        0x7F7FFFFF: False,  # the greatest number
        0x00000001: False,  # denormal
        0x80000000: False,  # minus zero
        0x00000000: False,
    }
    column = np.array([f32(bits) for bits in patterns])
    assert nonfinite_rows({"x": column}).tolist() == [row for row, bad in enumerate(patterns.values()) if bad]


def test_names_in_order_and_rows_once() -> None:
    columns = {"a": np.array([0.0, np.nan, 1.0]), "b": np.array([0.0, np.inf, -np.inf]), "c": np.zeros(3)}
    assert nonfinite_rows(columns).tolist() == [1, 2]
    assert nonfinite_names(columns, 1) == ["a", "b"]
    assert nonfinite_names(columns, 2) == ["b"]
    assert nonfinite_names(columns, 0) == []


def test_nothing_is_healthy() -> None:
    assert nonfinite_rows({}).tolist() == []
    assert nonfinite_rows({"a": np.zeros(0)}).tolist() == []
