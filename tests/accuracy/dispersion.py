"""How often the intervals and regions of a dispersion hold what the simulated vehicle then does.

`python -m tests.accuracy.dispersion [flights] [first]` prints the table. Each flight has a day and a vehicle of its own. The
sheet that the forecast gets is wrong by errors from Student's t with 5 degrees of freedom, and the vehicle flown differs
again from the true one by uniform errors, each with half the variance that the sheet tells; the forecast draws normal ones.
The vehicle's motion is the twin's own, eddies and two bodies on a cord included, and what the sheet does not have (drag
while the motor burns and by the angle of attack, the roll's inertia) the forecast guesses. Even numbers are reported; what
was chosen was chosen on odd ones.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from copy import deepcopy
from dataclasses import dataclass, replace
from math import radians, sqrt
from typing import Any

import numpy as np

from server.design.dispersion_basis import Day, asked_of
from server.design.sheet_files import load_sheets
from server.flight.air.atmosphere import density
from server.flight.dispersion.draws import Sigmas
from server.flight.dispersion.flights import CASES, EARLY, EARLY_S, LATE, LATE_S, NOMINAL, NONE, ONE, Gate, disperse
from server.flight.dispersion.regions import band, interval
from server.twin.sandpiper import Number, Vehicle, changed
from tests.server.flight.dispersion.twins import TwinFlight, flown

DRAWN = 300
HALF = sqrt(0.5)
NUMBERS = ("apogee", "rail-exit speed", "angle of attack there", "lean", "seconds under control")
GATE = Gate(110.0, 15.0)


@dataclass(frozen=True)
class Judged:
    """One region of one forecast: whether it held what was flown, and its size (m2 for a region)."""

    held: bool
    size: float


class Errors:
    """Errors of a sheet and of a flight, in sigmas of the whole, each of half the variance."""

    def __init__(self, random: np.random.Generator) -> None:
        self._random = random

    def sheet(self) -> float:
        """Student's t with 5 degrees of freedom."""
        return HALF * float(self._random.standard_t(5)) / sqrt(5.0 / 3.0)

    def flight(self) -> float:
        """Uniform."""
        return HALF * float(self._random.uniform(-sqrt(3.0), sqrt(3.0)))


@dataclass(frozen=True)
class Flight:
    """What the forecast is given, what flies, and when its parachutes open after (before) the top."""

    vehicle: Mapping[str, Any]
    site: Mapping[str, Any]
    figures: Mapping[str, Mapping[str, object]]
    twin: Vehicle
    opens_s: Mapping[str, float]


def drawn(seed: int) -> Flight:
    """Return one day: a vehicle flown, and its sheet."""
    random = np.random.default_rng([9, seed])
    errors, told = Errors(random), Sigmas(drag=0.06)
    wind_10, from_deg = random.uniform(0.5, 6.0), random.uniform(0.0, 360.0)
    true: dict[str, float] = {
        "rail_m": random.uniform(2.0, 3.0),
        "impulse": random.uniform(0.85, 1.15),
        "dry_kg": random.uniform(1.45, 1.75),
        "drag": random.uniform(0.45, 0.75),
        "lean_deg": random.uniform(0.0, 5.0),
        "azimuth_deg": random.uniform(0.0, 360.0),
    }
    return Flight(
        *_sheet(true, wind_10, from_deg, errors, told),
        twin=_flown(true, wind_10, from_deg, errors, told),
        opens_s={
            NOMINAL: max(0.0, 0.2 + 0.1 * float(random.uniform(-sqrt(3.0), sqrt(3.0)))),
            EARLY: -float(random.triangular(EARLY_S[0], 1.5, EARLY_S[1])),
            LATE: float(random.triangular(LATE_S[0], 3.0, LATE_S[1])),
        },
    )


def _sheet(
    true: Mapping[str, float], wind_10: float, from_deg: float, errors: Errors, told: Sigmas
) -> tuple[dict[str, Any], dict[str, Any], dict[str, dict[str, object]]]:
    sheets = load_sheets(None, True)
    vehicle, site = deepcopy(dict(sheets.vehicle)), deepcopy(dict(sheets.site))
    dry = true["dry_kg"] * (1.0 + told.mass * errors.sheet())
    shift = told.center_of_gravity_m * errors.sheet()
    built = vehicle["configuration"]
    for piece in built["masses"]:
        piece["station_m"] += shift
    built["fins"][0]["root_leading_edge_m"] += told.center_of_pressure_m * errors.sheet()
    stretch, push = 1.0 + told.burn_time * errors.sheet(), true["impulse"] * (1.0 + told.impulse * errors.sheet())
    built["motor"]["thrust"] = [[t * stretch, f * push / stretch] for t, f in built["motor"]["thrust"]]
    lean, azimuth = radians(true["lean_deg"]), radians(true["azimuth_deg"])
    east = lean * np.sin(azimuth) + told.rail_tilt * errors.sheet()
    north = lean * np.cos(azimuth) + told.rail_tilt * errors.sheet()
    at_2 = wind_10 * (2.0 / 10.0) ** (1.0 / 7.0)
    toward = radians(from_deg + 180.0) + told.wind_turn * errors.sheet()
    speed = at_2 * max(0.0, 1.0 + told.wind * errors.sheet())
    wind = speed * np.array([np.sin(toward), np.cos(toward)]) + told.wind_m_s * np.array([errors.sheet(), errors.sheet()])
    area_factor = 1.0 + told.descent_area * errors.sheet()
    vehicle |= {
        "liftoff_mass_kg": dry + 0.07,
        "burnout_mass_kg": dry,
        "rail_length_m": true["rail_m"],
        "descent_both_m_s": _rate(true["dry_kg"], 0.956) / sqrt(area_factor),
        "descent_one_m_s": _rate(true["dry_kg"], 0.356) / sqrt(area_factor),
    }
    site |= {
        "wind_m_s": float(np.hypot(*wind)),
        "wind_from_deg": float(np.degrees(np.arctan2(-wind[0], -wind[1])) % 360.0),
        "rail_lean_deg": float(np.degrees(np.hypot(east, north))),
        "rail_azimuth_deg": float(np.degrees(np.arctan2(east, north)) % 360.0),
    }
    area = np.pi * 0.033**2 * true["drag"] * (1.0 + told.drag * errors.sheet())
    figures: dict[str, dict[str, object]] = {"drag": {"kappa_1_m": float(0.5 * 1.1 * area / dry), "density_kg_m3": 1.1}}
    return vehicle, site, figures


def _rate(mass_kg: float, area_m2: float) -> float:
    return sqrt(2.0 * mass_kg * 9.80665 / (float(density(94080.0, 291.0)) * area_m2))


def _flown(true: Mapping[str, float], wind_10: float, from_deg: float, errors: Errors, told: Sigmas) -> Vehicle:
    base = Vehicle()
    stretch = 1.0 + told.burn_time * errors.flight()
    lean, azimuth = radians(true["lean_deg"]), radians(true["azimuth_deg"])
    east = lean * np.sin(azimuth) + told.rail_tilt * errors.flight()
    north = lean * np.cos(azimuth) + told.rail_tilt * errors.flight()
    toward = radians(from_deg + 180.0) + told.wind_turn * errors.flight()
    speed = wind_10 * max(0.0, 1.0 + told.wind * errors.flight())
    beside = told.wind_m_s * 5.0 ** (1.0 / 7.0) * np.array([errors.flight(), errors.flight()])
    wind = speed * np.array([np.sin(toward), np.cos(toward)]) + beside
    area, slope = 1.0 + told.descent_area * errors.flight(), 1.0 + told.normal_force * HALF * errors.flight()
    drag = true["drag"] * (1.0 + told.drag * errors.flight())
    push = true["impulse"] * (1.0 + told.impulse * errors.flight())
    changes: dict[str, Number] = {
        "rail.length_m": true["rail_m"],
        "rail.tilt_deg": float(np.degrees(np.hypot(east, north))),
        "rail.azimuth_deg": float(np.degrees(np.arctan2(east, north))),
        "motor.thrust_n": tuple((t * stretch, f * push / stretch) for t, f in base.motor.thrust_n),
        "motor.misalignment_deg": abs(float(np.degrees(told.thrust_angle * errors.flight() / HALF))) * sqrt(2.0),
        "fins.misalignment_rad": told.fin_cant * errors.flight() / HALF,
        "fins.span_m": base.fins.span_m * sqrt(slope),
        "fins.root_leading_edge_m": base.fins.root_leading_edge_m + told.center_of_pressure_m * errors.flight(),
        "body.dry_mass_kg": true["dry_kg"] * (1.0 + told.mass * errors.flight()),
        "body.dry_center_m": base.body.dry_center_m + told.center_of_gravity_m * errors.flight(),
        "body.drag_coast": drag,
        "body.drag_boost": drag * base.body.drag_boost / base.body.drag_coast,
        "recovery.nose_drag_area_m2": base.recovery.nose_drag_area_m2 * area,
        "recovery.tail_drag_area_m2": base.recovery.tail_drag_area_m2 * area,
        "wind.speed_at_10_m_m_s": float(np.hypot(*wind)),
        "wind.toward_deg": float(np.degrees(np.arctan2(wind[0], wind[1]))),
        "wind.power": 1.0 / 7.0 + told.wind_power * errors.flight() / HALF,
        "wind.turbulence_m_s": 0.2 * wind_10 * (1.0 + told.eddies * errors.flight()),
    }
    return changed(base, changes)


def fly(seed: int, flight: Flight, cases: tuple[str, ...]) -> dict[str, TwinFlight]:
    """Return what the simulated vehicle does in each case, in the same air."""
    after_s = flight.opens_s[NOMINAL]
    alone = flown(flight.twin, seed, open_after_s=None)
    ways: dict[str, Callable[[], TwinFlight]] = {
        NONE: lambda: alone,
        NOMINAL: lambda: flown(flight.twin, seed, after_s),
        EARLY: lambda: flown(flight.twin, seed, None, open_at_s=alone.apogee_s + flight.opens_s[EARLY]),
        LATE: lambda: flown(flight.twin, seed, flight.opens_s[LATE]),
        ONE: lambda: flown(flight.twin, seed, after_s, (True, False)),
    }
    return {case: ways[case]() for case in cases}


def judged(seed: int, cases: tuple[str, ...] = CASES, count: int = DRAWN) -> dict[str, Judged]:
    """Return every region of one forecast against what was then flown."""
    flight = drawn(seed)
    asked = asked_of(flight.vehicle, flight.site, Day(flight.figures))
    foreseen = disperse(replace(asked.question, gate=GATE), count, seed)
    assert foreseen.control_s is not None
    twins = fly(seed, flight, cases)
    meant = twins[NOMINAL]
    columns = (
        (foreseen.apogee_m, meant.apogee_m),
        (foreseen.exit_speed_m_s, meant.exit_speed_m_s),
        (foreseen.exit_attack_rad, meant.exit_attack_rad),
        (foreseen.lean_rad, meant.lean_rad),
        (foreseen.control_s, meant.gate_s(GATE.altitude_m, GATE.speed_m_s)),
    )
    found: dict[str, Judged] = {}
    for name, (values, value) in zip(NUMBERS, columns, strict=True):
        span = interval(values)
        assert span is not None
        found[name] = Judged(span.low <= value <= span.high, span.high - span.low)
    for case in cases:
        region = band(foreseen.ground_m[case])
        assert region is not None
        twin = twins[case]
        place = np.array([[twin.east_m], [twin.north_m]])
        found[f"landing, {case}"] = Judged(bool(region.holds(place)[0]), region.area_m2)
    return found


def table(all_judged: list[dict[str, Judged]]) -> list[str]:
    """Return a line a region: how many were held of how many, and the middle of their sizes."""
    lines = []
    for name in all_judged[0]:
        those = [one[name] for one in all_judged]
        held, size = sum(one.held for one in those), float(np.median([one.size for one in those]))
        unit = "hectares" if name.startswith("landing") else ""
        shown = size / 1e4 if unit else size
        lines.append(
            f"{name:24} {held:4} of {len(those)}  {100.0 * held / len(those):5.1f} %  middle size {shown:.3g} {unit}"
        )
    return lines


def main() -> None:
    """Print the table of `flights` days from the number `first` on, every second one."""
    flights = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    print("\n".join(table([judged(seed) for seed in range(first, first + 2 * flights, 2)])))


if __name__ == "__main__":
    main()
