"""How high it will go: drag fitted while coasting, and the rest of the climb computed from it.

Coasting, the specific force along the nose is drag alone, so deceleration = kappa (rho / rho_pad) v^2 with
kappa = rho_pad Cd A / (2 m) in 1/m. `DragFit` is the recursive least-squares estimate of that one number (Gauss; any
estimation textbook). `predict_apogee` integrates flight in a vertical plane under that drag to the top; for vertical
flight in air of one density it equals the closed form of tests/SOURCES.md, coast. `ApogeePredictor` joins both.

Where the 95 % interval comes from: linear propagation (numeric partial derivatives) of the standard deviations of height,
climb and kappa, and of what the model leaves out: a horizontal wind of `WIND_M_S` and a vertical one of `UPDRAFT_M_S` that
nobody measured, whose effects shrink to nothing toward the top together with the time that is left. To the climb's own
sigma come `CLIMB_SHARE` of the speed, for a static port that reads a share of the dynamic pressure, and what a filter that
holds the last acceleration gets wrong while the force changes: half the change times the gap between two samples, which
the barometer takes back within about `FORGET_S`. These numbers, the accelerometer's bias and the prior are common
practice, no source; they were checked against the simulated vehicle, whose apogee lies inside the interval as often as
it should.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, exp, hypot, inf, isfinite, sqrt, tan

from protocol.units import GRAVITY_M_S2
from server.flight.air.atmosphere import GAS_CONSTANT_J_KG_K, LAPSE_K_M, SEA_LEVEL_TEMPERATURE_K

# Density falls as exp(-h / this): -d(ln rho)/dh = (g/R - L)/T of the 1976 standard atmosphere at sea level.
DENSITY_HEIGHT_M = SEA_LEVEL_TEMPERATURE_K / (GRAVITY_M_S2 / GAS_CONSTANT_J_KG_K - LAPSE_K_M)
# Spans every row of tests/SOURCES.md, coast (0.0008 to 0.0017 1/m) at about one sigma.
PRIOR_KAPPA_1_M, PRIOR_SIGMA_1_M = 0.0010, 0.0006
ACCELERATION_BIAS_M_S2 = 0.1
SPEED_SIGMA_M_S = 1.5  # air speed against the speed over ground, along the path, the same for the whole coast
WIND_M_S, UPDRAFT_M_S = 4.0, 0.7
CLIMB_SHARE = 0.012
FORGET_S = 1.0
THRUST_TAIL_S = 0.1  # the motor may still whisper for this long after drag has won
LEAST_SPEED_M_S = 5.0
STATE_AGE_S = 0.5
Z95 = 1.959964
STEPS = 8
SMALLEST_KAPPA_1_M = 1e-7


def prior_kappa(diameter_m: float, mass_kg: float, density_kg_m3: float) -> tuple[float, float]:
    """Return kappa and its sigma (1/m) from a vehicle's diameter and burned-out mass: Cd 0.6 +- 0.2.

    Common practice, no source; the NASA Glenn page of tests/SOURCES.md, terminal-speed, says about 0.75 for a model rocket.
    """
    per_cd = density_kg_m3 * 3.141592653589793 * diameter_m**2 / 4.0 / (2.0 * mass_kg)
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
) -> tuple[float, float]:
    """Return (apogee height in m, seconds to it) of flight in a vertical plane under quadratic drag.

    `wind_m_s` blows along the horizontal motion. Fourth-order Runge-Kutta over the angle phi of climb = vt tan(phi),
    vt^2 = g / kappa: in it the closed form of vertical flight is nearly a straight line, so that few steps do, and the
    top is at phi = 0 exactly.
    """
    kappa = max(kappa_1_m, SMALLEST_KAPPA_1_M)
    terminal = sqrt(GRAVITY_M_S2 / kappa)
    phi = atan(climb_m_s / terminal)
    half = -0.5 * phi / STEPS
    drag = kappa * exp(-height_m / DENSITY_HEIGHT_M)
    tangents = [tan(phi + half * k) for k in range(2 * STEPS)] + [0.0]

    def slopes(tangent: float, risen: float, across: float) -> tuple[float, float, float]:
        climb = terminal * tangent
        air_up, air_across = climb - updraft_m_s, across - wind_m_s
        per_speed = drag * exp(-risen / DENSITY_HEIGHT_M) * sqrt(air_up * air_up + air_across * air_across)
        seconds = terminal * (1.0 + tangent * tangent) / -(GRAVITY_M_S2 + per_speed * air_up)
        return climb * seconds, -per_speed * air_across * seconds, seconds

    risen, across, passed = 0.0, horizontal_m_s, 0.0
    for k in range(0, 2 * STEPS, 2):
        middle = tangents[k + 1]
        h1, a1, t1 = slopes(tangents[k], risen, across)
        h2, a2, t2 = slopes(middle, risen + half * h1, across + half * a1)
        h3, a3, t3 = slopes(middle, risen + half * h2, across + half * a2)
        h4, a4, t4 = slopes(tangents[k + 2], risen + 2 * half * h3, across + 2 * half * a3)
        risen += half / 3.0 * (h1 + 2 * (h2 + h3) + h4)
        across += half / 3.0 * (a1 + 2 * (a2 + a3) + a4)
        passed += half / 3.0 * (t1 + 2 * (t2 + t3) + t4)
    return height_m + risen, passed


def predict_apogee(
    height_m: float,
    climb_m_s: float,
    horizontal_m_s: float,
    kappa_1_m: float,
    sigma_height_m: float,
    sigma_climb_m_s: float,
    sigma_kappa_1_m: float,
) -> Prediction | None:
    """Return the predicted apogee of a coasting vehicle; None when it no longer climbs or a number is not finite.

    Height over the pad (m), climb rate and horizontal speed (m/s), kappa (1/m); sigmas of one standard deviation each, taken
    as independent and carried through by differences (propagation of error, any textbook).
    """
    numbers = (height_m, climb_m_s, horizontal_m_s, kappa_1_m, sigma_height_m, sigma_climb_m_s, sigma_kappa_1_m)
    if not all(map(isfinite, numbers)) or climb_m_s <= 0.0:
        return None
    across = abs(horizontal_m_s)
    top, seconds = climb_to_top(height_m, climb_m_s, across, kappa_1_m)

    def effect(**other: float) -> float:
        state = {"height_m": height_m, "climb_m_s": climb_m_s, "horizontal_m_s": across, "kappa_1_m": kappa_1_m}
        return climb_to_top(**(state | other))[0] - top

    # Steps of a whole sigma: cheap, and they see the curvature where the uncertainty is large.
    variance = sigma_height_m**2
    variance += effect(climb_m_s=climb_m_s + sigma_climb_m_s) ** 2
    variance += effect(kappa_1_m=kappa_1_m + sigma_kappa_1_m) ** 2
    variance += effect(wind_m_s=-WIND_M_S) ** 2 + effect(updraft_m_s=UPDRAFT_M_S) ** 2
    sigma = sqrt(variance)
    low = max(top - Z95 * sigma, min(top, height_m - Z95 * sigma_height_m))
    return Prediction(top, seconds, sigma, low, top + Z95 * sigma, kappa_1_m, sigma_kappa_1_m)


class ApogeePredictor:
    """INCREMENTAL: takes forces, states and the moment of burnout in order of arrival; predicts from then on.

    Until `begin` was called `take_state` returns None. A force without a speed of its own (None) is paired with the last
    state, if that is not older than `STATE_AGE_S`.
    """

    def __init__(self, kappa_1_m: float = PRIOR_KAPPA_1_M, sigma_1_m: float = PRIOR_SIGMA_1_M) -> None:
        self.fit = DragFit(kappa_1_m, sigma_1_m)
        self._from_s = inf
        self._height_m = 0.0
        self._speed: tuple[float, float] | None = None
        self._force: tuple[float, float] | None = None
        self._held = (0.0, 0.0)  # since when, and how wrong (m/s) a climb rate under held forces may be

    def begin(self, burnout_s: float) -> None:
        """Say when (timeline seconds) the motor burned out; a second call changes nothing."""
        if self._from_s == inf:
            self._from_s = burnout_s

    def take_force(self, t_s: float, force_along_m_s2: float, speed_m_s: float | None = None) -> None:
        """Take the specific force along the nose (m/s2) and the speed (m/s) at that time."""
        if not isfinite(force_along_m_s2):
            return
        self._note_gap(t_s, force_along_m_s2)
        if not t_s >= self._from_s + THRUST_TAIL_S:
            return
        if speed_m_s is None:
            if self._speed is None or t_s - self._speed[0] > STATE_AGE_S:
                return
            # Between two states the force itself says how the speed went on; gravity along the path is a detail here.
            speed_m_s = self._speed[1] + (t_s - self._speed[0]) * (force_along_m_s2 - GRAVITY_M_S2)
        self.fit.take(force_along_m_s2, speed_m_s, exp(-self._height_m / DENSITY_HEIGHT_M))

    def take_state(
        self,
        t_s: float,
        height_m: float,
        climb_m_s: float,
        horizontal_m_s: float,
        sigma_height_m: float = 1.0,
        sigma_climb_m_s: float = 1.0,
    ) -> Prediction | None:
        """Take height over the pad (m), climb rate and horizontal speed (m/s); return the prediction, if there is one."""
        if not (isfinite(height_m) and isfinite(climb_m_s) and isfinite(horizontal_m_s)):
            return None
        self._height_m, self._speed = height_m, (t_s, hypot(climb_m_s, horizontal_m_s))
        if not t_s >= self._from_s:
            return None
        own = hypot(sigma_climb_m_s, CLIMB_SHARE * self._speed[1], self._held_error(t_s))
        kappa, sigma = self.fit.estimate()
        return predict_apogee(height_m, climb_m_s, horizontal_m_s, kappa, sigma_height_m, own, sigma)

    def _note_gap(self, t_s: float, force: float) -> None:
        if self._force is not None and t_s > self._force[0]:
            wrong = 0.5 * abs(force - self._force[1]) * (t_s - self._force[0])
            self._held = (t_s, hypot(wrong, self._held_error(t_s)))
        self._force = (t_s, force)

    def _held_error(self, t_s: float) -> float:
        since, wrong = self._held
        return wrong * exp(-max(0.0, t_s - since) / FORGET_S)
