"""The impulse as flown against closed forms and the simulated vehicle's own motor."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.airframe.thrust_curve import curve_of
from server.flight.airframe.thrust_share import ThrustShare, thrust_share
from server.flight.unmeasured import Unmeasured

CURVE = curve_of([(0.0, 100.0), (1.0, 100.0), (1.01, 0.0)])
T = np.arange(8.0, 13.0, 0.02)


def felt(thrust_n: float, burn_s: float, drag: float = 0.0) -> np.ndarray:
    """Return the force along the nose (m/s2) of 2 kg with 0.1 kg of propellant, from 10 s on."""
    speed, out = 0.0, []
    for t in T:
        burned = np.clip((t - 10.0) / burn_s, 0.0, 1.0)
        push = thrust_n if 10.0 <= t < 10.0 + burn_s else 0.0
        force = (push - drag * speed * speed) / (2.0 - 0.1 * burned) if t >= 10.0 else 9.80665
        speed = max(0.0, speed + 0.02 * (force - 9.80665))
        out.append(force)
    return np.array(out)


def share(force: np.ndarray, burn_s: float, drag: float = 0.0) -> ThrustShare:
    found = thrust_share(T, force, 10.0, 10.0 + burn_s, CURVE, 2.0, 0.1, drag)
    assert isinstance(found, ThrustShare)
    return found


@pytest.mark.parametrize(("thrust_n", "burn_s"), [(100.0, 1.0), (73.0, 1.0), (100.0, 0.7), (120.0, 1.1)])
def test_the_share_is_thrust_times_time(thrust_n: float, burn_s: float) -> None:
    found = share(felt(thrust_n, burn_s), burn_s)
    assert found.share == pytest.approx(thrust_n * burn_s / CURVE.impulse_n_s, abs=0.02)
    assert abs(found.share - thrust_n * burn_s / CURVE.impulse_n_s) < 1.5 * found.sigma
    assert found.impulse_n_s == pytest.approx(found.share * CURVE.impulse_n_s) and found.burn_s == pytest.approx(burn_s)


def test_what_drag_took_of_the_force_is_given_back() -> None:
    dragged = felt(100.0, 1.0, 0.006)
    assert share(dragged, 1.0, 0.006).share == pytest.approx(share(felt(100.0, 1.0), 1.0).share, abs=0.01)
    assert share(dragged, 1.0).share < share(dragged, 1.0, 0.006).share - 0.01


def test_its_doubt_grows_with_a_gap_and_a_long_one_is_none() -> None:
    force = felt(100.0, 1.0)
    few, none = force.copy(), force.copy()
    few[(T > 10.3) & (T < 10.6)] = np.nan
    none[(T > 10.2) & (T < 10.9)] = np.nan
    assert share(few, 1.0).sigma > 1.5 * share(force, 1.0).sigma
    assert isinstance(thrust_share(T, none, 10.0, 11.0, CURVE, 2.0, 0.1, 0.0), Unmeasured)


def test_without_forces_there_is_none() -> None:
    assert isinstance(thrust_share(T, np.full(len(T), np.nan), 10.0, 11.0, CURVE, 2.0, 0.1, 0.0), Unmeasured)
    assert isinstance(thrust_share(T, np.where(T < 10, 9.8, -1.0), 10.0, 11.0, CURVE, 2.0, 0.1, 0.0), Unmeasured)
