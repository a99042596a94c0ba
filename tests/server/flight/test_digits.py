"""A number is told to the digits that its doubt allows, half of a 95 % interval."""

from __future__ import annotations

import math

import pytest

from server.flight.digits import with_doubt


@pytest.mark.parametrize(
    ("value", "sigma", "told"),
    [
        (337.537, 2.6, "338 \N{PLUS-MINUS SIGN} 5"),
        (337.537, 0.82, "337.5 \N{PLUS-MINUS SIGN} 1.6"),
        (59.7742, 3.6, "60 \N{PLUS-MINUS SIGN} 7"),
        (3462.6, 92.0, "3460 \N{PLUS-MINUS SIGN} 180"),
        (3462.6, 141.0, "3500 \N{PLUS-MINUS SIGN} 300"),
        (0.01234, 0.0016, "0.012 \N{PLUS-MINUS SIGN} 0.003"),
        (12.34, 0.0, "12.3"),
        (12.34, math.nan, "12.3"),
    ],
)
def test_with_doubt(value: float, sigma: float, told: str) -> None:
    assert with_doubt(value, sigma) == told
