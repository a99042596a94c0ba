"""A curve of few points keeps the impulse, the peak and the shape."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.airframe.thrust_curve import curve_of
from server.flight.weighing.thrust_points import POINTS_AT_MOST, few_points
from tests.accuracy.weighing.firings import thrust


@pytest.mark.parametrize("seed", range(8))
def test_few_points_have_the_same_impulse_and_nearly_the_same_shape(seed: int) -> None:
    t = np.arange(-0.5, 9.0, 0.001)
    force = 80.0 * thrust(np.random.default_rng(seed), t)
    impulse = float(np.trapezoid(force, t))
    points = few_points(t, force, impulse)
    assert 2 <= len(points) <= POINTS_AT_MOST
    curve = curve_of(points)
    assert curve.impulse_n_s == pytest.approx(impulse, rel=2e-4)
    begin = t[np.flatnonzero(force >= 0.01 * force.max())[0] - 1]
    off = np.interp(t - begin, curve.t_s, curve.thrust_n, left=0.0, right=0.0) - force
    assert np.sqrt(np.mean(off**2)) < 0.02 * force.max()
    assert curve.thrust_n.max() == pytest.approx(force.max(), rel=0.04)


def test_no_thrust() -> None:
    with pytest.raises(ValueError, match="no thrust"):
        few_points(np.arange(5.0), np.zeros(5), 1.0)
