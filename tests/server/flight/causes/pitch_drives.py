"""Drives of the pitch-over's equation with plain numbers, and terms with nothing in them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from server.flight.causes.equation import Drive, Terms

HALF_S = 0.005


def drive(steps: int = 100, **numbers: object) -> Drive:
    """Return a drive straight up that does not roll: no air and no thrust but for what is given, each number constant."""
    count = 2 * steps + 1

    def many(value: float) -> np.ndarray:
        return np.full(count, value)

    plain = Drive(
        half_s=HALF_S,
        thrust_m_s2=many(0.0),
        nose=np.tile([0.0, 0.0, 1.0], (count, 1)),
        body_x=np.tile([1.0, 0.0, 0.0], (count, 1)),
        body_y=np.tile([0.0, 1.0, 0.0], (count, 1)),
        height_m=many(10.0),
        burned=many(0.0),
        moment=many(0.0),
        force=many(0.0),
        drag=many(0.0),
        lever_m=many(0.0),
        lift_lever_m=many(0.0),
        fin_lever_m=many(0.0),
        thrust_turn_1_m=many(0.0),
        fin_sums=np.zeros((count, 2)),
        slope=0.0,
        fin_slope=0.0,
        wind_profile=many(1.0),
        knots=np.ones((count, 1)),
    )
    given = {
        name: many(value) if isinstance(value, float) and name not in PLAIN else value for name, value in numbers.items()
    }
    return replace(plain, **given)


PLAIN = ("half_s", "slope", "fin_slope")


def terms(tilt_rad: float = 0.0, speed_m_s: float = 50.0, **numbers: np.ndarray) -> Terms:
    """Return the terms of one flight that starts upward with the nose tilted to the east."""
    nothing = np.zeros((2, 1))
    plain = Terms(
        nose=np.array([[np.sin(tilt_rad)], [0.0], [np.cos(tilt_rad)]]),
        turn=np.zeros((3, 1)),
        velocity=np.array([[0.0], [0.0], [speed_m_s]]),
        slope_times=np.ones(1),
        lift=np.zeros(1),
        stall=np.full(1, 1e6),
        damping_m2=np.zeros(1),
        lever_m=np.zeros(1),
        lever_burn_m=np.zeros(1),
        mean_wind=nothing,
        gust=np.zeros((1, 2, 1)),
        thrust_line=nothing,
        askew=nothing,
        fin_push=np.zeros(1),
        force_more=np.zeros(1),
    )
    return replace(plain, **numbers)
