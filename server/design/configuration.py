"""This configuration: what the vehicle is built of, and what follows from that.

`told` works out centers, margin, inertia and the swing to expect at lift-off and at burnout; `keeping_margin` is the way
back: how large the exchangeable fins must be for the margin to stay where it was after a change, so that the control gains
can stay as well. `configuration_sheet` reads one from the vehicle's sheet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import pi
from typing import TypedDict

import numpy as np

from server.flight.airframe.barrowman import (
    Balance,
    FinSet,
    balance,
    cross_section_m2,
    fins,
    margin_calibers,
    nose,
    transition,
)
from server.flight.airframe.mass_list import Piece, Sum, summed
from server.flight.airframe.oscillation import expected_damping_ratio, expected_frequency_hz
from server.flight.airframe.thrust_curve import ThrustCurve
from server.problems import Problem

SPEEDS_M_S = (15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0)
# tests/SOURCES.md, launch-rules-of-thumb: common practice, one to two calibers.
LEAST_MARGIN, GREATEST_MARGIN = 1.0, 2.0
SMALLEST_FACTOR, LARGEST_FACTOR, FACTORS = 0.3, 3.0, 47


class ConfigurationProblem(Problem):
    """The sheet's configuration cannot be used; the text names table and key."""


@dataclass(frozen=True)
class Motor:
    """What burns, and how: propellant as a rod in the vehicle."""

    name: str
    propellant: Piece
    curve: ThrustCurve


@dataclass(frozen=True)
class FittedFins:
    """A fin set with the mass of all its fins; `exchangeable` marks the one that is changed to keep the margin."""

    shape: FinSet
    mass_kg: float
    exchangeable: bool

    @property
    def piece(self) -> Piece:
        """The set as a line of the mass list."""
        return Piece(self.shape.name, self.mass_kg, self.shape.centroid_m)

    def scaled(self, factor: float) -> FittedFins:
        """Return the set with every length scaled, of the same sheet: its mass goes with the area."""
        return replace(self, shape=self.shape.scaled(factor), mass_kg=self.mass_kg * factor**2)


@dataclass(frozen=True)
class Configuration:
    """The vehicle as built; lengths from the nose tip, SI units."""

    diameter_m: float
    length_m: float
    nose_shape: str
    nose_length_m: float
    transitions: tuple[tuple[str, float, float, float, float], ...]  # name, start, length, fore and aft diameter
    fin_sets: tuple[FittedFins, ...]
    masses: tuple[Piece, ...]
    motor: Motor | None = None

    def balance(self) -> Balance:
        """Return where the air pushes; slopes refer to `diameter_m`. Source: `barrowman`."""
        reference = self.diameter_m
        base = self.transitions[0][3] if self.transitions else reference
        parts = [nose(self.nose_shape, self.nose_length_m, base, reference)]
        parts += [transition(*one, reference) for one in self.transitions]
        parts += [fins(one.shape, self._diameter_at(one.shape.root_leading_edge_m), reference) for one in self.fin_sets]
        return balance(parts)

    def mass(self, burned_share: float = 0.0) -> Sum:
        """Return mass, center and inertia when a share (0 to 1) of the propellant has burned; its place stays."""
        pieces = [*self.masses, *(one.piece for one in self.fin_sets)]
        if self.motor is not None and burned_share < 1.0:
            grain = self.motor.propellant
            pieces.append(replace(grain, mass_kg=grain.mass_kg * (1.0 - burned_share)))
        return summed(pieces)

    def margin(self, burned_share: float = 0.0) -> float:
        """Return the static margin in calibers of `diameter_m`, positive when stable."""
        return margin_calibers(self.balance().center_m, self.mass(burned_share).center_m, self.diameter_m)

    def _diameter_at(self, station_m: float) -> float:
        behind = [one for one in self.transitions if one[1] + one[2] <= station_m]
        return behind[-1][4] if behind else (self.transitions[0][3] if self.transitions else self.diameter_m)


# ---------------------------------------------------------------- what follows


class PartNumbers(TypedDict):
    """One part the air pushes on: normal-force slope per radian, station in m from the nose tip."""

    name: str
    slope: float
    station_m: float


class AirframeState(TypedDict):
    """The vehicle at lift-off or at burnout; wave number (rad per m flown) and damping ratio None where it is unstable."""

    mass_kg: float
    center_of_gravity_m: float
    lateral_inertia_kg_m2: float
    margin_calibers: float
    wave_number_1_m: float | None
    damping_ratio: float | None


class SwingFrequency(TypedDict):
    """The frequencies of the nose's swing at one air speed."""

    speed_m_s: float
    liftoff_hz: float
    burnout_hz: float


class AirframeNumbers(TypedDict):
    """Everything that follows from a configuration, as JSON shows it; SI units, stations from the nose tip."""

    center_of_pressure_m: float
    normal_force_slope: float
    parts: list[PartNumbers]
    pieces: int
    liftoff: AirframeState
    burnout: AirframeState
    frequencies: list[SwingFrequency]
    density_kg_m3: float


class SheetAgreement(TypedDict):
    """A number the sheet gives beside the same worked out from its pieces, in the sheet's unit."""

    key: str
    sheet: float
    computed: float


def told(configuration: Configuration, density_kg_m3: float) -> AirframeNumbers:
    """Return everything that follows from a configuration at an air density.

    Sources: `barrowman` for center of pressure and slope, `mass_list` for the sums, `oscillation` for the swing.
    """
    air = configuration.balance()
    liftoff = _state(configuration, air, configuration.mass(0.0), density_kg_m3)
    burnout = _state(configuration, air, configuration.mass(1.0), density_kg_m3)
    full, empty = liftoff["wave_number_1_m"], burnout["wave_number_1_m"]
    frequencies: list[SwingFrequency] = []
    if full is not None and empty is not None:
        frequencies = [
            {"speed_m_s": speed, "liftoff_hz": full * speed / (2.0 * pi), "burnout_hz": empty * speed / (2.0 * pi)}
            for speed in SPEEDS_M_S
        ]
    return {
        "center_of_pressure_m": air.center_m,
        "normal_force_slope": air.slope,
        "parts": [{"name": part.name, "slope": part.slope, "station_m": part.station_m} for part in air.parts],
        "pieces": len(configuration.masses) + len(configuration.fin_sets) + (configuration.motor is not None),
        "liftoff": liftoff,
        "burnout": burnout,
        "frequencies": frequencies,
        "density_kg_m3": density_kg_m3,
    }


def _state(configuration: Configuration, air: Balance, mass: Sum, density_kg_m3: float) -> AirframeState:
    lever, area = air.center_m - mass.center_m, cross_section_m2(configuration.diameter_m)
    wave = damping = None
    if lever > 0.0:
        per_speed = expected_frequency_hz(0.5 * density_kg_m3, area, air.slope, lever, mass.lateral_inertia_kg_m2)
        wave = per_speed * (2.0 * pi)
        sum_m2 = air.damping_sum_m2(mass.center_m)
        damping = expected_damping_ratio(density_kg_m3, area, air.slope * lever, sum_m2, mass.lateral_inertia_kg_m2)
    return {
        "mass_kg": mass.mass_kg,
        "center_of_gravity_m": mass.center_m,
        "lateral_inertia_kg_m2": mass.lateral_inertia_kg_m2,
        "margin_calibers": lever / configuration.diameter_m,
        "wave_number_1_m": wave,
        "damping_ratio": damping,
    }


def keeping_margin(before: Configuration, after: Configuration) -> Configuration:
    """Return `after` with its exchangeable fins scaled so that the margin at lift-off is that of `before`.

    Every length of the fins is scaled alike, their trailing edge at the root stays, their mass goes with their area.
    Raises ConfigurationProblem when no set is exchangeable or no size between 0.3 and 3 does it.
    """
    place = next((i for i, one in enumerate(after.fin_sets) if one.exchangeable), None)
    if place is None:
        raise ConfigurationProblem("no fin set of the sheet is marked exchangeable = true")

    def scaled(factor: float) -> Configuration:
        sets = [one.scaled(factor) if i == place else one for i, one in enumerate(after.fin_sets)]
        return replace(after, fin_sets=tuple(sets))

    wanted = before.margin()
    # Larger fins are heavier as well, so that more than one size may do: the one nearest to the present is looked for.
    factors = np.geomspace(SMALLEST_FACTOR, LARGEST_FACTOR, FACTORS)
    above = np.array([scaled(factor).margin() for factor in factors]) >= wanted
    crossings = np.flatnonzero(above[1:] != above[:-1])
    if not len(crossings):
        raise ConfigurationProblem(f"no size of {after.fin_sets[place].shape.name} gives a margin of {wanted:.2f} calibers")
    nearest = crossings[np.argmin(np.abs(np.log(factors[crossings])))]
    low, high = float(factors[nearest]), float(factors[nearest + 1])
    while high - low > 1e-7:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if (scaled(middle).margin() >= wanted) == above[nearest] else (low, middle)
    return scaled(0.5 * (low + high))


def against_the_sheet(told_numbers: AirframeNumbers, vehicle: Mapping[str, object]) -> list[SheetAgreement]:
    """Return the sheet's own numbers beside those worked out from its pieces: two ways to the same must agree."""
    liftoff, burnout = told_numbers["liftoff"], told_numbers["burnout"]
    computed = {
        "liftoff_mass_kg": liftoff["mass_kg"],
        "burnout_mass_kg": burnout["mass_kg"],
        "center_of_gravity_m": _mean(liftoff["center_of_gravity_m"], burnout["center_of_gravity_m"]),
        "center_of_pressure_m": told_numbers["center_of_pressure_m"],
        "normal_force_slope": told_numbers["normal_force_slope"],
        "lateral_inertia_kg_m2": _mean(liftoff["lateral_inertia_kg_m2"], burnout["lateral_inertia_kg_m2"]),
    }
    return [
        {"key": key, "sheet": float(given), "computed": value}
        for key, value in computed.items()
        if isinstance(given := vehicle.get(key), int | float) and not isinstance(given, bool)
    ]


def margin_words(margin: float) -> str:
    """Return what the rule of thumb says of a margin in calibers; common practice, no source: one to two."""
    if margin < 0.0:
        return "unstable: the center of pressure is in front of the center of gravity"
    if margin < LEAST_MARGIN:
        return "under one caliber: it may not fly straight"
    return (
        "over two calibers: it will turn far into the wind" if margin > GREATEST_MARGIN else "between one and two calibers"
    )


def _mean(one: float, other: float) -> float:
    return 0.5 * (one + other)
