"""Recovery: delays by hand, drift and landing spot in closed form and on flights of the twin, the last place by geodesy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import chi2

from server.flight.descent.geodesy import Geodetic
from server.flight.descent.recovery import (
    CIRCLE_95,
    POWER,
    SETTLE_S,
    Basis,
    DriftEstimator,
    Estimate,
    EventDelay,
    LastPlace,
    Spot,
    best_estimate,
    delay_after,
    estimate_text,
    first_on,
    last_place,
)
from tests.server.flight.twin_windows import heard, thinned


def test_first_on_lies_between_two_samples() -> None:
    t = np.array([1.0, 1.2, 1.4, 1.6, np.nan, 1.8])
    assert first_on(t, np.array([0, 0, 0, 1, 1, 1.0])) == pytest.approx((1.5, 0.1))
    assert first_on(t[::-1], np.array([1, 1, 1, 0, 0, 0.0])) == pytest.approx((1.5, 0.1))
    assert first_on(t, np.ones(6)) is None and first_on(t, np.zeros(6)) is None
    assert first_on(np.zeros(0), np.zeros(0)) is None


def test_delay_of_either_sign() -> None:
    assert delay_after(1.0, 0.05, (1.5, 0.1)) == EventDelay(0.5, pytest.approx(0.15))
    assert delay_after(2.0, 0.0, (1.5, 0.1)).seconds == -0.5
    assert delay_after(None, 0.0, (1.5, 0.1)) is None and delay_after(1.0, 0.0, None) is None
    assert delay_after(math.nan, 0.0, (1.5, 0.1)) is None


def test_the_circle_is_chi_square() -> None:
    assert pytest.approx(math.sqrt(chi2.ppf(0.95, 2)), rel=1e-6) == CIRCLE_95


def fallen(wind: tuple[float, float], rate: float = 5.0, height: float = 250.0) -> tuple[np.ndarray, ...]:
    """Return t, east, north, up of a descent in a wind that follows the power law exactly, from 300 s on."""
    t = np.arange(0.0, height / rate, 0.05)
    up = height - rate * t
    way = np.array([quad(lambda s: ((height - rate * s) / 10.0) ** POWER, 0.0, end)[0] for end in t[::20]])
    way = np.interp(t, t[::20], way)
    return 300.0 + t, wind[0] * way, wind[1] * way, up


def test_the_power_law_in_closed_form() -> None:
    t, east, north, up = fallen((3.0, -1.0))
    descent = DriftEstimator(300.0)
    half = t.size // 2
    descent.take(t[:half], east[:half], north[:half], up[:half])
    drift, spot = descent.drift(), descent.spot()
    assert (drift.wind_east_m_s, drift.wind_north_m_s) == pytest.approx((3.0, -1.0), rel=1e-3)
    assert drift.descent_m_s == pytest.approx(5.0, rel=1e-6)
    begin = np.searchsorted(t, 300.0 + SETTLE_S)
    assert drift.east_m_s == pytest.approx((east[half - 1] - east[begin]) / (t[half - 1] - t[begin]), rel=1e-9)
    whole = 3.0 * quad(lambda s: ((250.0 - 5.0 * s) / 10.0) ** POWER, 0.0, 50.0)[0]
    assert spot.east_m == pytest.approx(whole, rel=1e-3)
    assert spot.north_m == pytest.approx(-whole / 3.0, rel=1e-3)
    assert spot.seconds == pytest.approx(up[half - 1] / 5.0, rel=1e-6)


def test_the_check_value_of_drift() -> None:
    """tests/SOURCES.md, drift-and-landing: 300 m at 5 m/s in a 5 m/s wind is 300 m; here with the mean of the power law."""
    t, east, north, up = fallen((5.0, 0.0), height=300.0)
    mean = (300.0 / 10.0) ** POWER / (1.0 + POWER)
    assert east[-1] == pytest.approx(300.0 * mean, rel=0.01)
    descent = DriftEstimator(300.0)
    descent.take(t[:400], east[:400], north[:400], up[:400])
    assert descent.spot().east_m == pytest.approx(300.0 * mean, rel=0.01)


def test_nothing_before_the_first_block_nor_while_rising() -> None:
    t, east, north, up = fallen((1.0, 0.0))
    descent = DriftEstimator(300.0)
    descent.take(t[:100], east[:100], north[:100], up[:100])
    assert descent.drift() is None and descent.spot() is None
    rising = DriftEstimator(300.0)
    rising.take(t, east, north, up[::-1])
    assert rising.drift() is not None and rising.spot() is None


def test_bad_positions_and_the_ground_are_left_out() -> None:
    t, east, north, up = fallen((2.0, 1.0))
    clean, dirty = DriftEstimator(300.0), DriftEstimator(300.0)
    clean.take(t, east, north, up)
    still = (np.arange(400.0, 410.0, 0.05), *(np.full(200, value) for value in (east[-1], north[-1], 0.2)))
    rubbish = (np.array([310.0, 311.0, np.inf, 200.0]), *(np.array([np.nan, 1e300, 0.0, 5.0]) for _ in range(3)))
    half = 400
    for piece in ((t[:half], east[:half], north[:half], up[:half]), rubbish):
        dirty.take(*piece)
    dirty.take(t[half:], east[half:], north[half:], up[half:])
    dirty.take(*still)
    assert dirty.drift() == clean.drift() and dirty.spot() == clean.spot()


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 1000), st.lists(st.integers(0, 900), max_size=12))
def test_any_cut_gives_the_same_bits(seed: int, cuts: list[int]) -> None:
    rng = np.random.default_rng(seed)
    t = 300.0 + np.cumsum(rng.exponential(0.05, 900))
    east, north = np.cumsum(rng.normal(0.1, 0.3, 900)), np.cumsum(rng.normal(0.0, 0.3, 900))
    up = np.linspace(250.0, 5.0, 900) + rng.normal(0.0, 0.3, 900)
    up[rng.integers(900)] = np.nan
    whole, pieces = DriftEstimator(300.0), DriftEstimator(300.0)
    whole.take(t, east, north, up)
    edges = sorted({0, 900, *cuts})
    for a, b in zip(edges, edges[1:], strict=False):
        pieces.take(t[a:b], east[a:b], north[a:b], up[a:b])
    assert pieces.drift() == whole.drift() and pieces.spot() == whole.spot()


# ---------------------------------------------------------------- the last place


def test_the_last_place_by_the_geodesic() -> None:
    pad = Geodetic(40.0, -100.0, 0.0)
    place = last_place(pad, (67.6, -21.8, 0.0), age_s=4.0, drift_m_s=0.0, navigation_sigma_m=2.0)
    line = Geodesic.WGS84.Inverse(40.0, -100.0, place.latitude_deg, place.longitude_deg)
    assert place.distance_m == pytest.approx(line["s12"], abs=1e-3)
    assert place.bearing_deg == pytest.approx(line["azi1"] % 360.0, abs=1e-3)
    assert place.radius_95_m == pytest.approx(2.0 * CIRCLE_95)


def test_an_old_position_under_canopy_is_less_sure() -> None:
    place = last_place(None, (30.0, 40.0, 120.0), age_s=6.0, drift_m_s=3.0, navigation_sigma_m=2.0)
    assert (place.distance_m, place.latitude_deg) == (50.0, None)
    assert place.radius_95_m == pytest.approx(2.0 * CIRCLE_95 + 18.0)
    assert last_place(None, (0.0, 0.0, 0.0), age_s=0.0, drift_m_s=0.0).bearing_deg is None
    assert last_place(None, (math.nan, 0.0, 0.0), age_s=0.0, drift_m_s=0.0) is None


# ---------------------------------------------------------------- the best estimate

HEARD = LastPlace(distance_m=32.0, bearing_deg=261.0, latitude_deg=None, longitude_deg=None, radius_95_m=9.0)
AHEAD = Spot(east_m=24.0, north_m=10.7, radius_95_m=66.0, seconds=9.0)


def test_in_the_air_the_forecast_is_the_best_estimate_and_on_the_ground_the_point_heard() -> None:
    flying = best_estimate(HEARD, AHEAD, has_landed=False)
    assert (flying.basis, flying.radius_95_m) == (Basis.FORECAST, 66.0)
    assert (flying.distance_m, flying.bearing_deg) == (pytest.approx(26.3, abs=0.1), pytest.approx(66.0, abs=0.1))
    lying = best_estimate(HEARD, None, has_landed=True)
    assert lying == Estimate(Basis.LANDED, 32.0, 261.0, 9.0)


def test_without_a_forecast_the_last_point_is_told_and_no_circle_is_claimed_for_what_still_flies() -> None:
    assert best_estimate(HEARD, None, has_landed=False) == Estimate(Basis.LAST, 32.0, 261.0, None)
    assert best_estimate(None, None, has_landed=True) is None
    assert best_estimate(None, AHEAD, has_landed=False).basis is Basis.FORECAST


@pytest.mark.parametrize(
    ("estimate", "words"),
    [
        (
            Estimate(Basis.FORECAST, 26.3, 66.0, 66.2),
            "26 m from the pad, bearing 066 deg, within 66 m (95 %): predicted by its drift under canopy, from 56 m up",
        ),
        (Estimate(Basis.LANDED, 0.0, None, 7.3), "0 m from the pad, within 7 m (95 %): heard there after it had landed"),
        (
            Estimate(Basis.LAST, 32.0, 359.7, None),
            "32 m from the pad, bearing 000 deg: only a point heard 56 m up; how far it drifted from there is not known",
        ),
    ],
)
def test_an_estimate_in_words(estimate: Estimate, words: str) -> None:
    assert estimate_text(estimate, 56.0) == words


# ---------------------------------------------------------------- the twin

WINDY = {"wind.speed_at_10_m_m_s": 4.0, "wind.turbulence_m_s": 0.8}


def test_landing_spots_of_the_twin_narrow_and_hold() -> None:
    inside, last = [], []
    for seed in range(1, 5):
        flight = heard("calm", seed, WINDY if seed % 2 else {})
        truth = flight.truth
        begin, end = truth["deployment_s"], truth["landing_s"]
        rng = np.random.default_rng(seed)
        t, *position = thinned(
            flight.columns("navigation", "east", "north", "up", between=(begin, end)), rng.uniform(0.0, 0.25), rng
        )
        descent, done, radii = DriftEstimator(begin), 0, []
        for share in (0.4, 0.6, 0.8, 0.95):
            to = int(np.searchsorted(t, begin + share * (end - begin)))
            descent.take(t[done:to], *(values[done:to] for values in position))
            done, spot = to, descent.spot()
            off = math.hypot(spot.east_m - truth["landing_east_m"], spot.north_m - truth["landing_north_m"])
            inside.append(off <= spot.radius_95_m)
            radii.append(spot.radius_95_m)
            assert t[to - 1] + spot.seconds == pytest.approx(end, abs=6.0)
        assert all(b < 1.15 * a for a, b in zip(radii, radii[1:], strict=False)) and radii[-1] < 0.5 * radii[0]
        last.append(off)
        drift, wind = descent.drift(), flight.twin.vehicle.wind
        toward = math.radians(wind.toward_deg)
        true = wind.speed_at_10_m_m_s * np.array([math.sin(toward), math.cos(toward)])
        assert np.hypot(drift.wind_east_m_s - true[0], drift.wind_north_m_s - true[1]) < 4.0 * drift.wind_sigma_m_s
    assert np.mean(inside) >= 0.9
    assert max(last) < 15.0


def test_delays_of_the_twin() -> None:
    flight = heard("calm", 2)
    truth = flight.truth
    t, deployed, separated = flight.columns("control", "deployed", "separated")
    for flag, name in ((deployed, "deployment_s"), (separated, "separation_s")):
        found = delay_after(truth["apogee_s"], 0.0, first_on(t, flag))
        assert abs(found.seconds - (truth[name] - truth["apogee_s"])) <= found.within_s + 0.011
