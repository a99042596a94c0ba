"""How high it will go: the rest of the climb computed from height, climb and drag.

Coasting, the specific force along the nose is drag alone, so deceleration = kappa (rho / rho_pad) v^2 with
kappa = rho_pad Cd A / (2 m) in 1/m, and above about M 0.8 a rise on it (`drag_rise`). `DragFit` is the recursive
least-squares estimate of that one number over a whole coast (Gauss; any estimation textbook). `climb_to_top` integrates
flight in a vertical plane under that drag to the top; for vertical flight in air of one density it equals the closed form
of tests/SOURCES.md, coast.

Where the 95 % interval comes from: linear propagation (numeric partial derivatives) of the covariance of height, climb and
drag, the drag's error bound to the climb's where it came from forces (k = f / v^2), and of what these leave out: a
horizontal wind of `WIND_M_S` and a vertical one of `UPDRAFT_M_S` that nobody measured, a lean nobody told, and a drag
coefficient that changes on the way by `CHANGE`, whose effects shrink to nothing toward the top together with the time that
is left. An interval wider than `WIDEST_SHARE` of the height to either side is no promise: nothing is told. These numbers
and the prior are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, exp, isfinite, sqrt, tan

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.air.atmosphere import SEA_LEVEL_TEMPERATURE_K
from server.flight.motion.drag_curve import LEVEL_SIGMA, USUAL, DragCurve, Shape
from server.flight.motion.drag_rise import DENSITY_HEIGHT_M, ONSET_MACH, mach_at

# Spans every row of tests/SOURCES.md, coast (0.0008 to 0.0017 1/m) at about one sigma.
PRIOR_KAPPA_1_M, PRIOR_SIGMA_1_M = 0.0010, 0.0006
ACCELERATION_BIAS_M_S2 = 0.1
SPEED_SIGMA_M_S = 1.5  # air speed against the speed over ground, along the path, the same for the whole coast
WIND_M_S, UPDRAFT_M_S = 4.0, 0.7
LEAN = 0.18  # horizontal speed over climb where nobody tells it: 10 degrees
CHANGE = 0.07  # of the drag coefficient on the rest of the way
FORCE_BIAS_M_S2 = 0.15
WIDEST_SHARE, NARROW_M = 0.25, 5.0
THRUST_TAIL_S = 0.1  # the motor may still whisper for this long after drag has won
LEAST_SPEED_M_S = 5.0
Z95 = 1.959964
STEPS, STEPS_WITH_MACH, STEPS_WITH_CURVE = 8, 16, 32
SMALLEST_KAPPA_1_M = 1e-7


def prior_kappa(
    diameter_m: float, mass_kg: float, density_kg_m3: float, curve: DragCurve | None = None
) -> tuple[float, float]:
    """Return kappa and its sigma (1/m) from a vehicle's diameter and burned-out mass: Cd 0.6 +- 0.2, or as declared.

    Common practice, no source; the NASA Glenn page of tests/SOURCES.md, terminal-speed, says about 0.75 for a model rocket.
    """
    per_cd = density_kg_m3 * 3.141592653589793 * diameter_m**2 / 4.0 / (2.0 * mass_kg)
    if curve is not None:
        return curve.low * per_cd, LEVEL_SIGMA * curve.low * per_cd
    return 0.6 * per_cd, 0.2 * per_cd


class DragFit:
    """INCREMENTAL: kappa (1/m, at pad density) with its sigma from forces along the nose while nothing burns.

    Starts from a prior. The sigma holds the scatter of the samples, a constant bias of the accelerometer and a constant
    error of the speed; the last two do not average out, so that many samples cannot make it too sure.
    """

    def __init__(self, kappa_1_m: float = PRIOR_KAPPA_1_M, sigma_1_m: float = PRIOR_SIGMA_1_M) -> None:
        self._prior = (kappa_1_m, sigma_1_m)
        self.count = 0
        self._xx = self._xy = self._yy = self._x = self._speed = 0.0

    def take(self, force_along_m_s2: float, speed_m_s: float, density_ratio: float = 1.0) -> None:
        """Take one sample: force along the nose (m/s2, drag negative), speed (m/s), density over that at the pad."""
        if not (isfinite(force_along_m_s2) and isfinite(speed_m_s) and speed_m_s >= LEAST_SPEED_M_S):
            return
        x, y = density_ratio * speed_m_s * speed_m_s, -force_along_m_s2
        self.count += 1
        self._xx += x * x
        self._xy += x * y
        self._yy += y * y
        self._x += x
        self._speed += x * x / speed_m_s

    @property
    def kappa_1_m(self) -> float:
        """The estimate of kappa = rho Cd A / (2 m) at the pad's density, 1/m; never negative."""
        return self.estimate()[0]

    @property
    def sigma_1_m(self) -> float:
        """One standard deviation of it, 1/m."""
        return self.estimate()[1]

    def estimate(self) -> tuple[float, float]:
        """Return kappa and one standard deviation of it (1/m)."""
        prior, prior_sigma = self._prior
        if self.count == 0:
            return prior, prior_sigma
        slope = self._xy / self._xx
        scatter = ACCELERATION_BIAS_M_S2**2
        if self.count > 2:
            scatter = max(scatter, (self._yy - slope * self._xy) / (self.count - 1))
        white = scatter / self._xx
        bias = (ACCELERATION_BIAS_M_S2 * self._x / self._xx) ** 2
        speed = (2.0 * slope * SPEED_SIGMA_M_S * self._speed / self._xx) ** 2
        variance = white + bias + speed
        weight = prior_sigma**2 / (prior_sigma**2 + variance)
        return max(0.0, prior + weight * (slope - prior)), sqrt(weight * variance)


@dataclass(frozen=True, slots=True)
class Prediction:
    """The top as foreseen: height over the pad with sigma and 95 % interval (m), and seconds from the state to it."""

    apogee_m: float
    seconds_to_apogee: float
    sigma_m: float
    low_m: float
    high_m: float
    kappa_1_m: float
    sigma_kappa_1_m: float


def climb_to_top(
    height_m: float,
    climb_m_s: float,
    horizontal_m_s: float,
    kappa_1_m: float,
    wind_m_s: float = 0.0,
    updraft_m_s: float = 0.0,
    rise_1_m: float = 0.0,
    pad_temperature_k: float = SEA_LEVEL_TEMPERATURE_K,
    shape: Shape = USUAL,
) -> tuple[float, float]:
    """Return (apogee height in m, seconds to it) of flight in a vertical plane under quadratic drag.

    `wind_m_s` blows along the horizontal motion; `rise_1_m` times the shape's share comes to kappa. Fourth-order
    Runge-Kutta over the angle phi of climb = vt tan(phi), vt^2 = g / kappa: in it the closed form of vertical flight is
    nearly a straight line, so that few steps do, and the top is at phi = 0 exactly.
    """
    kappa = max(kappa_1_m, SMALLEST_KAPPA_1_M)
    terminal = sqrt(GRAVITY_M_S2 / kappa)
    phi = atan(climb_m_s / terminal)
    mach = mach_at(climb_m_s + abs(horizontal_m_s), height_m, pad_temperature_k)
    with_mach = rise_1_m > 0.0 and (shape.curve is not None or mach > 0.9 * ONSET_MACH)
    steps = STEPS if not with_mach else STEPS_WITH_MACH if shape.curve is None else STEPS_WITH_CURVE
    half = -0.5 * phi / steps
    thin = exp(-height_m / DENSITY_HEIGHT_M)
    thinned = kappa * thin
    tangents = [tan(phi + half * k) for k in range(2 * steps)] + [0.0]

    def slopes(tangent: float, risen: float, across: float) -> tuple[float, float, float]:
        climb = terminal * tangent
        air_up, air_across = climb - updraft_m_s, across - wind_m_s
        air = sqrt(air_up * air_up + air_across * air_across)
        here = thinned
        if with_mach:
            here = (kappa + rise_1_m * shape.share(mach_at(air, height_m + risen, pad_temperature_k))) * thin
        per_speed = here * exp(-risen / DENSITY_HEIGHT_M) * air
        seconds = terminal * (1.0 + tangent * tangent) / -(GRAVITY_M_S2 + per_speed * air_up)
        return climb * seconds, -per_speed * air_across * seconds, seconds

    risen, across, passed = 0.0, horizontal_m_s, 0.0
    for k in range(0, 2 * steps, 2):
        middle = tangents[k + 1]
        h1, a1, t1 = slopes(tangents[k], risen, across)
        h2, a2, t2 = slopes(middle, risen + half * h1, across + half * a1)
        h3, a3, t3 = slopes(middle, risen + half * h2, across + half * a2)
        h4, a4, t4 = slopes(tangents[k + 2], risen + 2 * half * h3, across + 2 * half * a3)
        risen += half / 3.0 * (h1 + 2 * (h2 + h3) + h4)
        across += half / 3.0 * (a1 + 2 * (a2 + a3) + a4)
        passed += half / 3.0 * (t1 + 2 * (t2 + t3) + t4)
    return height_m + risen, passed


@dataclass(frozen=True, slots=True)
class Coast:
    """A coasting vehicle: height over the pad (m), climb (m/s), kappa and its rise (1/m), horizontal speed (None: untold).

    `covariance` (4, 4) of the first four in this order. `drag_by_climb` is d ln(kappa) / d ln(climb) of the error in both:
    -2 where the drag came from forces at that speed, 0 where the covariance has it all.
    """

    height_m: float
    climb_m_s: float
    kappa_1_m: float
    rise_1_m: float
    horizontal_m_s: float | None
    covariance: Floats
    drag_by_climb: float = 0.0
    pad_temperature_k: float = SEA_LEVEL_TEMPERATURE_K
    shape: Shape = USUAL


def predict_apogee(state: Coast) -> Prediction | None:
    """Return the predicted apogee of a coasting vehicle.

    None when it no longer climbs, a number is not finite or the interval is too wide to be one. The covariance is carried
    through by differences of a whole sigma, which see the curvature (propagation of error, any textbook).
    """
    told = state.horizontal_m_s
    numbers = (state.height_m, state.climb_m_s, state.kappa_1_m, state.rise_1_m, told or 0.0)
    if not (all(map(isfinite, numbers)) and np.isfinite(state.covariance).all()) or state.climb_m_s <= 0.0:
        return None
    across = LEAN * state.climb_m_s if told is None else abs(told)

    def top_of(
        height: float = 0.0,
        climb: float = 0.0,
        kappa: float = 0.0,
        rise: float = 0.0,
        wind: float = 0.0,
        updraft: float = 0.0,
    ) -> tuple[float, float]:
        speed = max(state.climb_m_s + climb, 0.0)
        with_speed = (speed / state.climb_m_s) ** state.drag_by_climb if speed > 0.0 else 1.0
        return climb_to_top(
            state.height_m + height,
            speed,
            across,
            state.kappa_1_m * with_speed + kappa,
            wind,
            updraft,
            max(0.0, state.rise_1_m * with_speed + rise),
            state.pad_temperature_k,
            state.shape,
        )

    top, seconds = top_of()
    sigmas = np.sqrt(np.maximum(np.diag(state.covariance), 0.0))
    sigma_h, sigma_v, sigma_k, sigma_w = sigmas.tolist()
    # Downward, an unsure kappa does not become none.
    down = state.kappa_1_m * (1.0 / (1.0 + sigma_k / state.kappa_1_m) - 1.0) if state.kappa_1_m > 0.0 else 0.0
    by_kappa = 0.5 * (top_of(kappa=sigma_k)[0] - top_of(kappa=down)[0])
    effects = [sigma_h, top_of(climb=sigma_v)[0] - top, by_kappa, top_of(rise=sigma_w)[0] - top]
    slope = np.divide(effects, sigmas, out=np.zeros(4), where=sigmas > 0.0)
    variance = max(0.0, float(slope @ state.covariance @ slope))
    variance += (top_of(wind=-WIND_M_S)[0] - top) ** 2 + (top_of(updraft=UPDRAFT_M_S)[0] - top) ** 2
    variance += (top_of(kappa=CHANGE * state.kappa_1_m)[0] - top) ** 2
    if told is None:
        lean = climb_to_top(
            state.height_m, state.climb_m_s, 0.0, state.kappa_1_m, 0.0, 0.0, state.rise_1_m, shape=state.shape
        )
        variance += (lean[0] - top) ** 2
    sigma = sqrt(variance)
    if not Z95 * sigma < WIDEST_SHARE * top + NARROW_M:
        return None
    low = max(top - Z95 * sigma, min(top, state.height_m - Z95 * sigma_h))
    return Prediction(top, seconds, sigma, low, top + Z95 * sigma, state.kappa_1_m, sigma_k)
