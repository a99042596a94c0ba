"""How a flight will go before it is flown: from a thrust curve, a mass, a drag area, a rail and a wind to the top.

Newton's law for a point in the vertical plane of the wind, classical fourth-order Runge-Kutta with a fixed step. On the
rail it moves along the rail and cannot slide back. Beyond, thrust acts along the nose and drag along the way through the
air; the nose swings into the wind as `oscillation` has it, theta'' + 2 z k v theta' + (k v)^2 alpha = 0, and its angle of
attack pushes the path toward it. Where wave number and slope are not known, it is taken to weathercock at once, which in a
wind leans it more than a real one and so costs more height. Propellant leaves in proportion to thrust (constant exhaust
speed). Density falls as in the 1976 standard atmosphere from that of the pad; the wind grows with height^(1/7) from
`WIND_HEIGHT_M` on (common practice, no source). For vertical flight with constant thrust, mass and density it equals the
closed form v = sqrt(a/k) tanh(sqrt(a k) t), and the coast that of tests/SOURCES.md, coast.

Left out: gusts, the angle of attack's drag and the body's lift, thrust beside the axis, and what the fins are told to do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import atan2, cos, exp, hypot, sin

import numpy as np

from protocol.units import GRAVITY_M_S2
from server.flight.air.atmosphere import WIND_POWER
from server.flight.airframe.thrust_curve import ThrustCurve
from server.flight.motion.drag_rise import DENSITY_HEIGHT_M
from server.flight.motion.rail import angle_of_attack_rad
from server.flight.unmeasured import Unmeasured

STEP_S = 0.005
LONGEST_S = 120.0
WIND_HEIGHT_M = 2.0
USUAL_DAMPING = 0.08  # of a swing; common practice, no source
_State = tuple[float, ...]  # across (with the wind) and up in m, their rates, nose from vertical in rad, its rate
_Derivative = Callable[[float, _State], _State]


@dataclass(frozen=True, slots=True)
class Launch:
    """What is needed to know: SI units. `lean_rad` of the rail from vertical, positive into the wind.

    `wave_number_1_m` of the nose's swing (rad per meter flown) and `slope_area_m2`, normal-force slope x cross section:
    zero where they are not known.
    """

    liftoff_mass_kg: float
    propellant_kg: float
    drag_area_m2: float
    rail_length_m: float
    density_kg_m3: float
    wind_m_s: float = 0.0
    lean_rad: float = 0.0
    wave_number_1_m: float = 0.0
    slope_area_m2: float = 0.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """What comes of it; times in s from ignition, heights in m over the pad."""

    thrust_to_weight: float  # mean thrust of the burn over the weight at lift-off
    rail_exit_s: float
    rail_exit_speed_m_s: float
    angle_of_attack_rad: float  # there, by the wind as it was measured
    greatest_speed_m_s: float
    greatest_dynamic_pressure_pa: float
    apogee_m: float
    apogee_s: float
    apogee_across_m: float  # where the top is, with the wind; negative into it


def drag_area_m2(kappa_1_m: float, mass_kg: float, density_kg_m3: float) -> float:
    """Return Cd A in m2 of the deceleration per speed squared measured in a coast: kappa = rho Cd A / (2 m)."""
    return 2.0 * kappa_1_m * mass_kg / density_kg_m3


def forecast(launch: Launch, curve: ThrustCurve) -> Forecast | Unmeasured:
    """Return the flight as foreseen, or why there is none.

    Deterministic; fixed steps of `STEP_S`. Sources: those of the module's text.
    """
    weight = launch.liftoff_mass_kg * GRAVITY_M_S2
    if not 0.0 <= launch.propellant_kg < launch.liftoff_mass_kg:
        return Unmeasured("the propellant is not lighter than the vehicle")
    run = _Run(launch, curve)
    if not run.along_the_rail():
        return Unmeasured("it does not leave the rail")
    if not run.to_the_top():
        return Unmeasured(f"it is still climbing after {LONGEST_S:g} s")
    exit_s, exit_speed = run.rail_exit_s, run.rail_exit_speed
    return Forecast(
        curve.mean_n / weight,
        exit_s,
        exit_speed,
        angle_of_attack_rad(launch.wind_m_s, exit_speed),
        run.fastest,
        run.hardest,
        run.state[1],
        run.t,
        run.state[0],
    )


def wind_at(wind_m_s: float, height_m: float) -> float:
    """Return the mean wind (m/s) at a height over ground (m), of one measured at `WIND_HEIGHT_M`.

    The power law is common practice, no source.
    """
    return float(wind_m_s * (max(height_m, WIND_HEIGHT_M) / WIND_HEIGHT_M) ** WIND_POWER)


class _Run:
    """One integration, with what is noted on the way."""

    def __init__(self, launch: Launch, curve: ThrustCurve) -> None:
        self._launch, self._curve = launch, curve
        self._burned = curve.burned()
        self._rail = (-sin(launch.lean_rad), cos(launch.lean_rad))
        self._swings = launch.wave_number_1_m > 0.0 and launch.slope_area_m2 > 0.0
        self.state: _State = (0.0, 0.0, 0.0, 0.0, -launch.lean_rad, 0.0)
        self.t = self.rail_exit_s = self.rail_exit_speed = 0.0
        self.fastest = self.hardest = 0.0

    def along_the_rail(self) -> bool:
        """Run until it leaves the rail, the end found inside the last step; False when it never does."""
        length = self._launch.rail_length_m
        while self.t < self._curve.burn_s + STEP_S:
            before = hypot(*self.state[:2])
            self._step(self._on_rail)
            way = hypot(*self.state[:2])
            if way >= length:
                share = (length - before) / (way - before)
                self.t -= (1.0 - share) * STEP_S
                self.state = tuple(a + share * (b - a) for a, b in zip(self._before, self.state, strict=True))
                self.rail_exit_s, self.rail_exit_speed = self.t, hypot(*self.state[2:4])
                return True
        return False

    def to_the_top(self) -> bool:
        """Run until it no longer climbs, the top found inside the last step; False when that takes too long."""
        while self.t < LONGEST_S:
            self._step(self._free)
            if self.state[3] <= 0.0:
                share = self._before[3] / (self._before[3] - self.state[3])
                self.t -= (1.0 - share) * STEP_S
                # Within a step the top is half a step's fall above the straight line at most: 0.03 mm.
                self.state = tuple(a + share * (b - a) for a, b in zip(self._before, self.state, strict=True))
                return True
        return False

    def _step(self, derivative: _Derivative) -> None:
        s, t, h = self.state, self.t, STEP_S
        self._before = s
        k1 = derivative(t, s)
        k2 = derivative(t + h / 2, tuple(a + h / 2 * b for a, b in zip(s, k1, strict=True)))
        k3 = derivative(t + h / 2, tuple(a + h / 2 * b for a, b in zip(s, k2, strict=True)))
        k4 = derivative(t + h, tuple(a + h * b for a, b in zip(s, k3, strict=True)))
        self.state = tuple(a + h / 6 * (b + 2 * (c + d) + e) for a, b, c, d, e in zip(s, k1, k2, k3, k4, strict=True))
        self.t = t + h
        speed = hypot(*self.state[2:4])
        self.fastest = max(self.fastest, speed)
        self.hardest = max(self.hardest, 0.5 * self._density(self.state[1]) * speed * speed)

    def _mass(self, t: float) -> float:
        share = float(np.interp(t, self._curve.t_s, self._burned))
        return self._launch.liftoff_mass_kg - share * self._launch.propellant_kg

    def _density(self, up: float) -> float:
        return self._launch.density_kg_m3 * exp(-up / DENSITY_HEIGHT_M)

    def _on_rail(self, t: float, s: _State) -> _State:
        _, up, v_across, v_up, *_ = s
        speed = v_across * self._rail[0] + v_up * self._rail[1]
        drag = 0.5 * self._density(up) * self._launch.drag_area_m2 * speed * speed
        along = (self._curve.at(t) - drag) / self._mass(t) - GRAVITY_M_S2 * self._rail[1]
        if speed <= 0.0 and along < 0.0:
            along = 0.0  # the rail's stop carries it until thrust exceeds its weight
        return v_across, v_up, along * self._rail[0], along * self._rail[1], 0.0, 0.0

    def _free(self, t: float, s: _State) -> _State:
        launch = self._launch
        _, up, v_across, v_up, nose, turning = s
        air_across = v_across - wind_at(launch.wind_m_s, up)
        air = max(hypot(air_across, v_up), 1e-9)
        pressure, mass, thrust = 0.5 * self._density(up) * air * air, self._mass(t), self._curve.at(t)
        drag = pressure * launch.drag_area_m2 / air
        if not self._swings:
            push = thrust / air
            return v_across, v_up, (push - drag) * air_across / mass, (push - drag) * v_up / mass - GRAVITY_M_S2, 0.0, 0.0
        attack = nose - atan2(air_across, v_up)
        swing = launch.wave_number_1_m * air
        lift = pressure * launch.slope_area_m2 * attack
        across = thrust * sin(nose) + lift * cos(nose) - drag * air_across
        along = thrust * cos(nose) - lift * sin(nose) - drag * v_up
        bent = -swing * swing * attack - 2.0 * USUAL_DAMPING * swing * turning
        return v_across, v_up, across / mass, along / mass - GRAVITY_M_S2, turning, bent


def class_and_mean(curve: ThrustCurve) -> str:
    """Return the motor's class in the usual short form, letter and mean thrust in N: "G98"."""
    return f"{curve.letter}{curve.mean_n:.0f}"
