"""Display units against the definitions they come from."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from protocol.units import CONVERSIONS, conversion

# Exact definitions: SI brochure, 9th edition (degree = pi/180 rad, 0 degC = 273.15 K, hour = 3600 s);
# international foot 0.3048 m exactly; standard acceleration 9.80665 m/s2 exactly; coulomb = ampere second.
EXACT = {
    ("K", "degC"): (Fraction(1), Fraction(-27315, 100)),
    ("Pa", "hPa"): (Fraction(1, 100), 0),
    ("Pa", "kPa"): (Fraction(1, 1000), 0),
    ("m", "ft"): (Fraction(10000, 3048), 0),
    ("m", "km"): (Fraction(1, 1000), 0),
    ("m/s", "ft/s"): (Fraction(10000, 3048), 0),
    ("m/s", "km/h"): (Fraction(3600, 1000), 0),
    ("m/s2", "g"): (Fraction(100000, 980665), 0),
    ("C", "mAh"): (Fraction(1000, 3600), 0),
    ("A", "mA"): (Fraction(1000), 0),
    ("V", "mV"): (Fraction(1000), 0),
    ("s", "ms"): (Fraction(1000), 0),
    ("B", "MB"): (Fraction(1, 10**6), 0),
    ("B", "GB"): (Fraction(1, 10**9), 0),
    ("1", "%"): (Fraction(100), 0),
}
ANGLES = {
    ("rad", "deg"): math.degrees(1.0),
    ("rad/s", "deg/s"): math.degrees(1.0),
    ("rad/s", "rpm"): 60.0 / math.tau,
}


def test_every_pair_is_checked_here() -> None:
    assert set(CONVERSIONS) == set(EXACT) | set(ANGLES)


@pytest.mark.parametrize("pair", EXACT)
def test_factor_is_the_nearest_double_of_the_exact_one(pair: tuple[str, str]) -> None:
    scale, offset = conversion(*pair)
    exact_scale, exact_offset = EXACT[pair]
    assert abs(Fraction(scale) - exact_scale) <= Fraction(math.ulp(scale)), "within one unit in the last place"
    assert offset == float(exact_offset)


@pytest.mark.parametrize("pair", ANGLES)
def test_angles(pair: tuple[str, str]) -> None:
    scale, offset = conversion(*pair)
    assert scale == pytest.approx(ANGLES[pair], rel=1e-15) and offset == 0.0


@pytest.mark.parametrize("unit", ["", "m", "furlong"])
def test_a_unit_shown_as_itself_is_itself(unit: str) -> None:
    assert conversion(unit, unit) == (1.0, 0.0)


@pytest.mark.parametrize("pair", [("m", "s"), ("deg", "rad"), ("m", ""), ("", "m")])
def test_an_unknown_pair_is_none(pair: tuple[str, str]) -> None:
    assert conversion(*pair) is None


def test_known_readings() -> None:
    scale, offset = conversion("K", "degC")
    assert 288.15 * scale + offset == pytest.approx(15.0, abs=1e-12)
    assert 100.0 * conversion("m", "ft")[0] == pytest.approx(328.0839895, abs=1e-7)
    assert 9.80665 * conversion("m/s2", "g")[0] == 1.0
