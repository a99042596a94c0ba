"""The inertia of a body that hangs level by two or more equal, vertical strings and turns to and fro about the vertical.

For small angles I = m g D^2 T^2 / (16 pi^2 L): mass m, gravity g, strings of length L a distance D apart (on a circle of
diameter D where they are three), period T. Source: NACA Report 467, bifilar and trifilar pendulum (from memory;
tests/SOURCES.md, bifilar-pendulum). Wide swings are slower. That is worked out from the geometry without a series:

    rise       h(a) = L - sqrt(L^2 - D^2 sin^2(a/2))
    energy     (I + m h'(a)^2) a'^2 / 2 + m g h(a) = m g h(A)

The axis must run through the center of gravity, midway between the strings. SI units, angles in rad.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, pi, radians, sin

import numpy as np

from protocol.arrays import Floats
from protocol.errors import Problem
from protocol.units import GRAVITY_M_S2

GRAVITY_SIGMA_M_S2 = 0.015  # over the Earth's surface it runs from 9.780 to 9.832: evenly spread, one standard deviation
AIR_KG_M3, AIR_SIGMA = 1.2, 0.3  # at the bench; the share by which the air that moves along is doubted, chosen
WIDEST_RAD = 0.7
_NODES = 64


class PendulumProblem(Problem):
    """A pendulum that cannot be; the text is one plain sentence."""


@dataclass(frozen=True)
class Measured:
    """A number and its standard deviation, of one unit."""

    value: float
    sigma: float

    @property
    def share(self) -> float:
        """Standard deviation over value."""
        return self.sigma / abs(self.value)


@dataclass(frozen=True)
class Hung:
    """How it hangs: mass (kg, as a scale reads it in air), distance of the strings and their length (m), gravity (m/s2)."""

    mass: Measured
    spacing: Measured
    length: Measured
    gravity: Measured = Measured(GRAVITY_M_S2, GRAVITY_SIGMA_M_S2)

    def __post_init__(self) -> None:
        """Refuse what cannot hang; raises PendulumProblem."""
        values = (self.mass.value, self.spacing.value, self.length.value, self.gravity.value)
        if not all(np.isfinite(values)) or min(values) <= 0.0:
            raise PendulumProblem("Mass, spacing and length of the strings are numbers above zero.")
        if self.spacing.value > 2.0 * self.length.value:
            raise PendulumProblem("Strings shorter than half their spacing make no pendulum that this can read.")

    def inertia_of(self, period_s: float) -> float:
        """Return the inertia (kg m2) of a period (s) of small swings. Source: NACA Report 467, from memory."""
        return self.stiffness_n_m * (period_s / (2.0 * pi)) ** 2

    def period_of(self, inertia_kg_m2: float) -> float:
        """Return the period (s) of small swings of an inertia (kg m2)."""
        return 2.0 * pi * float(np.sqrt(inertia_kg_m2 / self.stiffness_n_m))

    @property
    def stiffness_n_m(self) -> float:
        """Moment per small angle, N m/rad: m g D^2 / (4 L)."""
        return self.mass.value * self.gravity.value * self.spacing.value**2 / (4.0 * self.length.value)

    @property
    def sway_hz(self) -> float:
        """How often a second the whole body sways on its strings, as any pendulum of their length."""
        return float(np.sqrt(self.gravity.value / self.length.value)) / (2.0 * pi)

    def rise_m(self, angle_rad: Floats) -> Floats:
        """Return how far the body has risen at each angle, same shape, m."""
        across = (self.spacing.value * np.sin(angle_rad / 2.0)) ** 2
        return across / (self.length.value + np.sqrt(self.length.value**2 - across))

    def slope_m(self, angle_rad: Floats) -> Floats:
        """Return the rise per angle, same shape, m/rad."""
        across = (self.spacing.value * np.sin(angle_rad / 2.0)) ** 2
        return self.spacing.value**2 * np.sin(angle_rad) / (4.0 * np.sqrt(self.length.value**2 - across))

    def slowing(self, amplitude_rad: Floats, inertia_kg_m2: float) -> Floats:
        """Return the period of swings of these amplitudes, (n,), over that of small ones.

        A quarter of a swing by the energy above, a = A sin u, Gauss-Legendre in u. Checked against scipy's integration of
        the equation of motion, and for strings much longer than their spacing against the complete elliptic integral.
        """
        nodes, weights = np.polynomial.legendre.leggauss(_NODES)
        u = (nodes + 1.0) * pi / 4.0
        amplitude = np.maximum(np.atleast_1d(np.asarray(amplitude_rad, dtype=np.float64)), 1e-4)[:, None]
        angle = amplitude * np.sin(u)
        # h(A) - h(a) without the loss of digits near the turn: sin^2(A/2) - sin^2(a/2) = sin((A+a)/2) sin((A-a)/2).
        # A - a = A (1 - sin u) = 2 A sin^2(pi/4 - u/2).
        short = 2.0 * amplitude * np.sin(pi / 4.0 - u / 2.0) ** 2
        apart = self.spacing.value**2 * np.sin((amplitude + angle) / 2.0) * np.sin(short / 2.0)
        high, low = (self.length.value - self.rise_m(one) for one in (amplitude, angle))
        lift = apart / (high + low)
        heavy = inertia_kg_m2 + self.mass.value * self.slope_m(angle) ** 2
        weight = self.mass.value * self.gravity.value
        quarter = np.sum(weights * np.sqrt(heavy / (2.0 * weight * lift)) * amplitude * np.cos(u), axis=1) * pi / 4.0
        slower: Floats = 4.0 * quarter / self.period_of(inertia_kg_m2)
        return slower


def inertia(hung: Hung, period: Measured, carried: Measured | None = None) -> Measured:
    """Return the inertia (kg m2) about the vertical axis of a period (s) of small swings.

    The shares of all that was measured add as squares: twice those of period and spacing, once those of mass, length and
    gravity. `carried` is taken off: what swung along and is not the vehicle, as `moved_air`. Raises PendulumProblem.
    """
    if not 0.0 < period.value < 1e3:
        raise PendulumProblem("The period of a swing is a number of seconds above zero.")
    whole = hung.inertia_of(period.value)
    parts = (2.0 * period.share, 2.0 * hung.spacing.share, hung.mass.share, hung.length.share, hung.gravity.share)
    sigma = whole * hypot(*parts)
    if carried is None:
        return Measured(whole, sigma)
    if carried.value >= whole:
        raise PendulumProblem("The air that moves along would have more inertia than all that swung: are the sizes right?")
    return Measured(whole - carried.value, hypot(sigma, carried.sigma))


def moved_air(diameter_m: float, length_m: float, off_middle_m: float = 0.0, density_kg_m3: float = AIR_KG_M3) -> Measured:
    """Return the inertia (kg m2) of the air that turns along with a body swung about an axis across it.

    A slender cylinder moves, for each length, the mass of air of its own volume: rho pi d^2/4 (l^3/12 + l off^2), where the
    axis is `off_middle_m` from the body's middle. Fins are left out. Source: potential flow across a cylinder, from memory.
    """
    per_length = density_kg_m3 * pi * diameter_m**2 / 4.0
    value = per_length * (length_m**3 / 12.0 + length_m * off_middle_m**2)
    return Measured(value, AIR_SIGMA * value)


def gravity_at(latitude_deg: float, elevation_m: float) -> Measured:
    """Return gravity (m/s2) at a latitude and a height over the sea; the ground's own differences stay within the doubt.

    Source: normal gravity of WGS 84 by Somigliana's formula, and 3.086e-6 per s2 of height (tests/SOURCES.md,
    normal-gravity; from memory).
    """
    square = sin(radians(latitude_deg)) ** 2
    at_sea = 9.7803253359 * (1.0 + 0.00193185265241 * square) / (1.0 - 0.00669437999014 * square) ** 0.5
    return Measured(at_sea - 3.086e-6 * elevation_m, 0.0005)
