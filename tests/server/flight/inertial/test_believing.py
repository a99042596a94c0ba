"""An honest claim of attitude is not parted from; one that goes astray is, at its moment, and the right one believed."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.inertial.believing import apart, attitude_at, height_with, tracks_agree, whom_to_believe
from server.flight.inertial.rotations import inverse, of_vector, product, vector_of
from server.flight.inertial.strapdown import Strapdown
from tests.server.flight.inertial.drawn import flight, heard, integrated

SEEDS = [500, 502, 504, 506]  # of those in which no gyro meets its end


def _claim(seed: int, rate_hz: float = 20.0) -> tuple[np.ndarray, np.ndarray]:
    one = flight(seed)
    t = np.arange(5.0, one.moments["apogee_time"] - 0.2, 1.0 / rate_hz)
    places = [one.truth_at(s) for s in t]
    return one.t[places], one.quaternion[places]


@pytest.mark.parametrize("seed", SEEDS)
def test_the_true_attitude_is_not_parted_from(seed: int) -> None:
    found = apart(integrated(flight(seed), heard(flight(seed))), *_claim(seed))
    assert found is not None and found.parted_s is None
    assert (found.nose_rad <= found.angle_rad + 1e-9).all() and (found.sigma_rad > 0.0).all()


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_one_that_leaps_aside_is_parted_from_at_that_moment_and_the_other_unit_bears_it_out(seed: int) -> None:
    one = flight(seed)
    t, claimed = _claim(seed)
    leaps = 0.5 * (one.moments["lift_off"] + one.moments["apogee_time"])
    wrong = np.where((t > leaps)[:, None], product(of_vector(np.array([1.0, 0.0, 0.0])), claimed), claimed)
    track, other = integrated(one, heard(one)), integrated(one, heard(one, "b"))
    found = apart(track, t, wrong)
    assert found is not None and found.parted_s == pytest.approx(leaps, abs=0.06)
    assert found.nose_rad.max() > 0.5
    assert tracks_agree(track, other, one.moments["apogee_time"]) is True


def test_the_distance_is_weighed_in_world_axes() -> None:
    """Lying on its side, with a doubt about east only: a claim turned about east is honest, one about up is not."""
    count = 40
    t, q = np.arange(count) * 0.05, np.tile(of_vector(np.array([0.0, np.pi / 2, 0.0])), (count, 1))
    covariance = np.tile(np.diag([0.3**2, *[1e-8] * 8]), (count, 1, 1))
    none = np.zeros((count, 3))
    track = Strapdown(t, q, none, none, covariance, none, none)
    about_east, about_up = (apart(track, t, product(of_vector(np.array(v)), q)) for v in ((0.5, 0, 0), (0, 0, 0.5)))
    assert about_east is not None and about_east.parted_s is None
    assert about_east.weighed == pytest.approx(np.full(count, 0.5**2 / (0.3**2 + np.radians(1.0) ** 2)), rel=1e-3)
    assert about_up is not None and about_up.parted_s == 0.0


def test_a_claim_of_bad_numbers_is_no_claim() -> None:
    track = integrated(flight(SEEDS[0]), heard(flight(SEEDS[0])))
    t, claimed = _claim(SEEDS[0])
    assert apart(track, t, np.full_like(claimed, np.nan)) is None
    assert apart(track, t, 3.0 * claimed) is None
    broken = claimed.copy()
    broken[::7] = np.nan
    found = apart(track, t, broken)
    assert found is not None and found.parted_s is None and np.isfinite(found.weighed).all()


def test_between_two_samples_the_attitude_turns_evenly() -> None:
    track = integrated(flight(SEEDS[0]), heard(flight(SEEDS[0])))
    middle = 0.5 * (track.t[:-1] + track.t[1:])
    q, _, _ = attitude_at(track, middle)
    back, on = (vector_of(product(inverse(a), b)) for a, b in ((track.quaternion[:-1], q), (q, track.quaternion[1:])))
    assert np.allclose(back, on, atol=1e-9)
    assert np.allclose(np.abs(np.einsum("ni,ni->n", attitude_at(track, track.t[5:9])[0], track.quaternion[5:9])), 1.0)


def test_the_height_with_the_true_attitude_is_the_height() -> None:
    one = flight(SEEDS[1])
    unit = heard(one)
    before = one.moments["lift_off"] - 0.2
    t, claimed = _claim(SEEDS[1], 50.0)
    chosen = (unit.t >= before) & (unit.t <= t[-1])
    up = height_with(unit.t[chosen], unit.force[chosen], t, claimed, before)
    truth = one.height[one.truth_at(float(unit.t[chosen][-1]))]
    assert up[-1] == pytest.approx(truth, rel=0.1)  # bias and scale are not taken off here
    leaning = height_with(
        unit.t[chosen], unit.force[chosen], t, product(of_vector(np.array([1.2, 0.0, 0.0])), claimed), before
    )
    assert leaning[-1] < 0.6 * up[-1]


def test_witnesses_are_weighed_and_those_that_contradict_each_other_tell_nothing() -> None:
    assert whom_to_believe(True, None, None).whom == "strapdown"
    assert whom_to_believe(None, 0.5, 8.0).whom == "strapdown"
    assert whom_to_believe(None, 8.0, 0.5).whom == "claim"
    assert whom_to_believe(True, 8.0, 0.5).whom is None
    assert whom_to_believe(False, None, None).whom is None
    assert whom_to_believe(None, 6.0, 9.0).whom is None  # the barometer is at odds with both
    assert whom_to_believe(None, None, None).reasons == ()
