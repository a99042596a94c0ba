"""A person's units and signs: exact factors, nothing taken for an amount that is none, no doubt lost."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.flight.units import IMPERIAL, METRIC, number, with_signs

SIGNS = json.loads((Path(__file__).parents[2] / "signs.json").read_text("utf-8"))


def test_the_factors_are_the_exact_ones() -> None:
    """International yard and pound agreement, 1959; NIST SP 811, appendix B.8."""
    assert IMPERIAL.height_of(0.3048) == pytest.approx(1.0, rel=1e-15)
    assert IMPERIAL.speed_of(1609.344 / 3600.0) == pytest.approx(1.0, rel=1e-15)
    assert IMPERIAL.meters(1609.344) == "5280 ft" and IMPERIAL.meters_per_s(44.704) == "100.0 mph"
    assert METRIC.meters(12.34, 1) == "12.3 m" and METRIC.meters_doubted(110.6, 0.75) == "110.6 \u00b1 1.5 m"


@pytest.mark.parametrize(("text", "read"), SIGNS["cases"])
def test_one_spelling_for_degrees_and_minus(text: str, read: str) -> None:
    assert with_signs(text) == read and with_signs(read) == read
    assert METRIC.said(text) == read


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("within 7 m (95 %)", "within 7 m (23 ft) (95 %)"),
        ("110 \u00b1 6 m", "110 \u00b1 6 m (361 \u00b1 20 ft)"),
        ("5.4 m/s; expected 5.7 under both", "5.4 m/s (12.1 mph); expected 5.7 under both"),
        ("+40 m east, -3 m up", "+40 m (131 ft) east, \u22123 m (\u221210 ft) up"),
        ("9.8 m/s2, 0.2 ms, 3 min, 4 mm, 12 mAh", "9.8 m/s\u00b2, 0.2 ms, 3 min, 4 mm, 12 mAh"),
    ],
)
def test_a_recorded_sentence_keeps_its_numbers_and_has_the_chosen_ones_beside(text: str, read: str) -> None:
    assert IMPERIAL.said(text) == read


@given(st.floats(-1e6, 1e6), st.integers(0, 4))
def test_a_number_is_the_one_rounded_with_a_true_minus(value: float, digits: int) -> None:
    text = number(value, digits)
    assert "-" not in text and float(text.replace("\N{MINUS SIGN}", "-")) == pytest.approx(round(value, digits), abs=1e-9)
    assert text.lstrip("\N{MINUS SIGN}0.") or not text.startswith("\N{MINUS SIGN}"), "no minus before a zero"


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_no_number_is_a_dash(value: float) -> None:
    assert number(value) == "-"
