"""What a side motor turned the vehicle by when it fired: the step of the rates, and what follows for impulse and lever arm.

A push F for a short time T, at a lever l ahead of the center of gravity, adds the angular impulse l F T; over the lateral
inertia it is a step of the rate across (rigid body, any textbook). The step is fitted as a ramp over the burn into the same
model as the fins' effects (`axis_fit`), so that what the air, the fins and a lasting push do meanwhile is taken out; the
moment of ignition, known only between two packets, is averaged over its likelihood. Motor n at an angle around the body,
from +x toward +y, pushes away from its place: the step lies along (sin, -cos) of that angle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import atan2, cos, hypot, inf, sin, sqrt

import numpy as np

from protocol.arrays import Floats
from server.flight.control.colored_push import averaged_fit
from server.flight.effectiveness.axis_fit import LEAST_OWN_RAD, SIGMA_FACTOR, Heard, moving, ramp, window_of, without_fins

BEFORE_S, AFTER_S = 1.5, 1.0  # of flight around a firing that is fitted; our choice
IGNITION_STEP_S = 0.01
# One sigma of a step, for a nose that swings far and air that is not linear there: chosen on the odd seeds of
# tests/accuracy/control_effectiveness.
SWING_SHARE = 0.06
FIN_LAG_S = 0.02  # where fins move meanwhile; common practice, no source


@dataclass(frozen=True, slots=True)
class Step:
    """The step of the rates (rad/s) about body x and y with one sigma each, and when the push began (s, most likely).

    `along` is what lies where the motor's place says, `across` what lies beside it, each with a 95 % interval;
    `off_rad` how far the step's direction is from it.
    """

    step_x: float
    step_y: float
    sigma_x: float
    sigma_y: float
    began_s: float
    along: float
    along_low: float
    along_high: float
    across: float
    off_rad: float


def rate_step(heard: Heard, earliest_s: float, latest_s: float, burn_s: float, place_rad: float) -> Step | None:
    """Return the step of one firing that began between two times; None where too little was heard around it.

    `heard` is the flight as for `fit_axis`, with the attitude; `burn_s` how long the motor burns.
    """
    around = _around(heard, earliest_s - BEFORE_S, latest_s + burn_s + AFTER_S)
    found = [_about(around, axis, earliest_s, latest_s, burn_s) for axis in ("pitch", "yaw")]
    if found[0] is None or found[1] is None:
        return None
    (x, sigma_x, began_x), (y, sigma_y, began_y) = found[0], found[1]
    wide = 1.96 * SIGMA_FACTOR
    c, s = cos(place_rad), sin(place_rad)
    along, across = x * s - y * c, x * c + y * s
    half = wide * hypot(sigma_x * s, sigma_y * c, SWING_SHARE * along)
    began = began_x if abs(x) / sigma_x > abs(y) / sigma_y else began_y
    return Step(x, y, sigma_x, sigma_y, began, along, along - half, along + half, across, atan2(across, along))


def _around(heard: Heard, start_s: float, end_s: float) -> Heard:
    """Return the stretch of a flight between two times."""

    def cut(t: Floats, *values: Floats) -> tuple[Floats, ...]:
        inside = (t >= start_s) & (t <= end_s)
        return (t[inside], *(one[inside] for one in values))

    rates = [(t, values) for t, values in (cut(*one) for one in heard.rates) if t.size]
    fin_t, angles = cut(*heard.fins)
    pressure_t, pressure = cut(*heard.pressure)
    motion = None
    if heard.motion is not None:
        t, velocity, east, north = cut(*heard.motion)
        motion = (t, velocity, east, north)
    return replace(heard, rates=rates, fins=(fin_t, angles), pressure=(pressure_t, pressure), motion=motion)


def _about(heard: Heard, axis: str, earliest_s: float, latest_s: float, burn_s: float) -> tuple[float, float, float] | None:
    """Return the step about one axis, its sigma, and the most likely beginning."""
    made = window_of(heard, axis)
    if made is None:
        return None
    window, fins = made
    used, _ = moving(fins[1], LEAST_OWN_RAD)
    known = without_fins(heard, axis, window, (fins[0], fins[1][:, list(used)]), FIN_LAG_S)
    if known is None:
        return None
    began = np.arange(earliest_s, latest_s + 0.5 * IGNITION_STEP_S, IGNITION_STEP_S)
    ramps = np.stack([ramp(window.t, one, burn_s) for one in began])[:, :, None]
    fit = averaged_fit(replace(known, turned=ramps, lags_s=began, leading=1, typical_lag_s=inf))
    if fit is None:
        return None
    return float(fit.beta[0]), sqrt(float(fit.covariance[0, 0])), fit.lag_s
