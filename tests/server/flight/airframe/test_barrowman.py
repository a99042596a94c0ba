"""Slopes and centers against slender-body theory integrated by scipy, Diederich's lift slope, the mean chord's quarter."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from server.flight.airframe.barrowman import (
    NOSE_CENTERS,
    FinSet,
    Part,
    balance,
    cross_section_m2,
    fins,
    margin_calibers,
    nose,
    transition,
)

FIN = FinSet("fins", 4, 0.09, 0.05, 0.055, 0.02, 1.13)


def slender(radius, length: float, reference_m: float) -> tuple[float, float]:
    """Munk's slender-body theory: dCN/dx = 2/A dS/dx, so slope 2 (S1 - S0)/A and center (x S) - volume over the change."""
    area = math.pi * reference_m**2 / 4.0
    section = lambda x: math.pi * radius(x) ** 2  # noqa: E731
    change = section(length) - section(0.0)
    volume = quad(section, 0.0, length)[0]
    return 2.0 * change / area, (length * section(length) - volume) / change


def arc(length: float, r: float) -> float:
    """Radius of the arc of a tangent ogive."""
    return (r * r + length * length) / (2.0 * r)


SHAPES = {
    "cone": lambda x, length, r: r * x / length,
    "parabola": lambda x, length, r: r * math.sqrt(x / length),
    "ellipsoid": lambda x, length, r: r * math.sqrt(max(0.0, 1.0 - (1.0 - x / length) ** 2)),
    "ogive": lambda x, length, r: math.sqrt(arc(length, r) ** 2 - (length - x) ** 2) + r - arc(length, r),
}


@pytest.mark.parametrize("shape", sorted(NOSE_CENTERS))
def test_noses_are_slender_bodies(shape: str) -> None:
    """1 % for the ogive, whose share tends to 7/15 the longer it is; the others are exact."""
    length, r = 0.22, 0.033
    slope, center = slender(lambda x: SHAPES[shape](x, length, r), length, 2 * r)
    part = nose(shape, length, 2 * r, 2 * r)
    assert part.slope == pytest.approx(slope, rel=1e-6)
    assert part.station_m == pytest.approx(center, rel=1e-2 if shape == "ogive" else 1e-6)


@pytest.mark.parametrize(("fore", "aft"), [(0.04, 0.066), (0.066, 0.05), (0.054, 0.0541)])
def test_transitions_are_slender_bodies(fore: float, aft: float) -> None:
    length = 0.08
    slope, center = slender(lambda x: 0.5 * (fore + (aft - fore) * x / length), length, 0.066)
    part = transition("shoulder", 0.3, length, fore, aft, 0.066)
    assert part.slope == pytest.approx(slope, rel=1e-6) and part.station_m == pytest.approx(0.3 + center, rel=1e-6)
    assert (part.slope > 0) == (aft > fore)
    with pytest.raises(ValueError):
        transition("none", 0.3, 0.1, 0.05, 0.05, 0.066)


@pytest.mark.parametrize("seed", range(8))
def test_fins_by_diederichs_slope(seed: int) -> None:
    """2 pi AR / (2 + sqrt(4 + (AR / cos mid-chord sweep)^2)) per fin (NACA TN 2335, from memory), half of them at work."""
    rng = np.random.default_rng(seed)
    root = rng.uniform(0.05, 0.2)
    one = FinSet(
        "x", int(rng.choice([3, 4])), root, root * rng.uniform(0.0, 1.0), rng.uniform(0.03, 0.15), rng.uniform(0.0, 0.1), 1.0
    )
    body, reference = 0.054, 0.066
    ratio = 2.0 * one.span_m**2 / one.area_m2
    cosine = one.span_m / math.hypot(one.span_m, one.sweep_m + 0.5 * (one.tip_m - one.root_m))
    single = 2.0 * math.pi * ratio / (2.0 + math.sqrt(4.0 + (ratio / cosine) ** 2))
    of_all = 0.5 * one.count * single * one.area_m2 / (math.pi * reference**2 / 4.0)
    part = fins(one, body, reference)
    assert part.slope == pytest.approx((1.0 + 0.5 * body / (one.span_m + 0.5 * body)) * of_all, rel=1e-9)

    chord = lambda y: one.root_m + (one.tip_m - one.root_m) * y / one.span_m  # noqa: E731
    quarter = quad(lambda y: (one.sweep_m * y / one.span_m + 0.25 * chord(y)) * chord(y), 0, one.span_m)[0] / one.area_m2
    middle = quad(lambda y: (one.sweep_m * y / one.span_m + 0.5 * chord(y)) * chord(y), 0, one.span_m)[0] / one.area_m2
    assert part.station_m == pytest.approx(1.0 + quarter, rel=1e-9)
    assert one.centroid_m == pytest.approx(1.0 + middle, rel=1e-9)


def test_six_fins_shield_each_other() -> None:
    six, four = (FinSet("x", count, 0.09, 0.05, 0.055, 0.02, 1.13) for count in (6, 4))
    per_fin = [fins(one, 0.066, 0.066).slope / one.count for one in (six, four)]
    assert per_fin[0] == pytest.approx(per_fin[1] * (1 + 0.5 * 0.375) / (1 + 0.375))


def test_the_whole_and_its_margin() -> None:
    whole = balance([Part("nose", 2.0, 0.1), Part("fins", 6.0, 1.1)])
    assert (whole.slope, whole.center_m) == (8.0, pytest.approx(0.85))
    assert whole.damping_sum_m2(0.6) == pytest.approx(2 * 0.25 + 6 * 0.25)
    assert margin_calibers(0.85, 0.75, 0.05) == pytest.approx(2.0)
    assert cross_section_m2(0.066) == pytest.approx(0.0034212, rel=1e-4)
    with pytest.raises(ValueError):
        balance([Part("boat tail", -1.0, 1.0)])


def test_scaled_fins_keep_their_trailing_edge() -> None:
    large = FIN.scaled(1.5)
    assert large.root_leading_edge_m + large.root_m == pytest.approx(FIN.root_leading_edge_m + FIN.root_m)
    assert large.area_m2 == pytest.approx(2.25 * FIN.area_m2) and FIN.scaled(1.0) == FIN
