"""A whole ascent: which unit counts, where the heading is from, and whom to believe when the claim goes astray."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from server.flight.inertial.ascent import CLAIM, FREE, RAIL, Attitudes, Moments, Samples, ascent_of, barometer_at
from server.flight.inertial.rotations import of_vector, product
from tests.accuracy.turning_flights import TurningFlight
from tests.server.flight.inertial.drawn import flight

SEED = 508  # low loss, no end of range in either unit


def _given(one: TurningFlight) -> tuple[dict[str, Samples], Moments, Attitudes, tuple[np.ndarray, np.ndarray]]:
    m = one.moments
    samples = {name: Samples(unit.t, unit.force, unit.rates) for name, unit in one.units.items()}
    every = slice(None, None, 25)
    rng = np.random.default_rng(1)
    barometer = one.t[every], one.height[every] + rng.normal(0.0, 0.3, len(one.t[every]))
    moments = Moments(m["lift_off"], m["burnout"], m["apogee_time"])
    return samples, moments, Attitudes(one.t[every], one.quaternion[every]), barometer


def test_an_honest_claim_is_not_parted_from_and_both_units_agree() -> None:
    samples, moments, claimed, barometer = _given(flight(SEED))
    told = ascent_of(samples, moments, claimed, barometer=barometer, navigates_by="a")
    assert [one.name for one in told.units] == ["b", "a"], "the one it does not navigate by counts first"
    assert told.heading == CLAIM and told.agree is True and told.missing == {}
    assert told.apart is not None and told.apart.parted_s is None and told.belief is None
    first = told.units[0]
    assert first.has_speed and first.track.t[-1] > moments.apogee_s - 0.2
    height = barometer_at(barometer, float(first.track.t[-1]))
    assert height == pytest.approx(one_height(flight(SEED), float(first.track.t[-1])), abs=0.6)


def one_height(one: TurningFlight, at_s: float) -> float:
    """Return the true height at a time."""
    return float(one.height[one.truth_at(at_s)])


def test_a_claim_that_goes_astray_is_not_believed_and_without_the_other_unit_the_barometer_tells() -> None:
    one = flight(SEED)
    samples, moments, claimed, barometer = _given(one)
    astray = product(of_vector(np.array([1.3, 0.0, 0.0])), claimed.quaternion)
    wrong = replace(claimed, quaternion=np.where((claimed.t > moments.lift_off_s)[:, None], astray, claimed.quaternion))
    told = ascent_of(samples, moments, wrong, barometer=barometer)
    assert told.apart is not None and told.apart.parted_s == pytest.approx(moments.lift_off_s, abs=0.1)
    assert told.belief is not None and told.belief.whom == "strapdown" and len(told.belief.reasons) == 2
    alone = ascent_of({"a": samples["a"]}, moments, wrong, barometer=barometer)
    assert alone.belief is not None and alone.belief.whom == "strapdown" and "barometer" in alone.belief.reasons[0]
    blind = ascent_of({"a": samples["a"]}, moments, wrong)
    assert blind.belief is not None and blind.belief.whom is None and blind.belief.reasons == ()


def test_a_unit_whose_gyro_turns_by_itself_is_found_apart_from_the_other() -> None:
    samples, moments, claimed, barometer = _given(flight(SEED))
    turning = np.where((samples["b"].t > moments.lift_off_s)[:, None], np.radians([20.0, 0.0, 0.0]), 0.0)
    broken = {**samples, "b": replace(samples["b"], rates=samples["b"].rates + turning)}
    told = ascent_of(broken, moments, claimed, barometer=barometer, navigates_by="b")
    assert told.agree is False and told.units[0].name == "a" and told.apart is not None
    assert told.apart.parted_s is None, "the claim is the truth, and unit a is sound"


def test_heading_without_a_claim_is_the_rail_s_or_free() -> None:
    samples, moments, _, _ = _given(flight(SEED))
    lean = np.radians(20.0)
    leaning = {}
    for name, one in samples.items():
        on_pad = (one.t < moments.lift_off_s)[:, None]
        push = 9.80665 * np.array([np.sin(lean), 0.0, np.cos(lean)]) + 0.01 * np.sin(np.outer(one.t, [3.0, 5.0, 7.0]))
        leaning[name] = replace(one, force=np.where(on_pad, push, one.force))
    told = ascent_of(leaning, moments, None, rail_azimuth_rad=np.radians(70.0))
    assert told.heading == RAIL and told.apart is None
    # Felt up leans to body x, so that the nose leans the other way: to the rail's azimuth.
    nose = told.units[0].track.nose()[0]
    assert np.degrees(np.arctan2(nose[0], nose[1])) == pytest.approx(70.0, abs=0.5)
    # Bias and one axis felt in another, 0.15 m/s2 each: 1.24 degrees of tilt, over the sine of 20.
    assert np.degrees(np.sqrt(told.units[0].start.covariance[2, 2])) == pytest.approx(3.6, abs=0.1)
    assert ascent_of(leaning, moments, None).heading == FREE
    assert ascent_of(samples, moments, None, rail_azimuth_rad=0.0).heading in (FREE, RAIL)


def test_a_rate_at_its_end_ends_the_track_there_and_one_on_the_pad_leaves_none() -> None:
    samples, moments, claimed, _ = _given(flight(SEED))
    end_s = moments.lift_off_s + 1.0
    at_end = np.where((samples["a"].t > end_s)[:, None], np.radians([0.0, 0.0, 2000.0]), samples["a"].rates)
    told = ascent_of({"a": replace(samples["a"], rates=at_end)}, moments, claimed)
    assert told.units[0].track.t[-1] == pytest.approx(end_s, abs=0.1)
    silent = replace(samples["a"], rates=np.full_like(at_end, np.nan))
    assert ascent_of({"a": silent}, moments, claimed).missing == {"a": "was not heard with both force and rates"}


def test_a_height_needs_samples_before_the_moment() -> None:
    t = np.arange(0.0, 2.0, 0.1)
    assert barometer_at((t, 4.0 * t - t**2), 1.9) == pytest.approx(4.0 * 1.9 - 1.9**2, abs=1e-6)
    assert barometer_at((t, 4.0 * t), 5.0) is None
