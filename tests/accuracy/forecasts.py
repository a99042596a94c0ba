"""The next flight foretold for random flights: mass, motor, rail and mean wind as drawn, drag as another flight measured it.

Gusts, turbulence and the motor's own spread are not known beforehand, as they would not be.
"""

from __future__ import annotations

import copy
from math import cos, radians

from server.design.flight_basis import change_of
from server.design.next_flight import next_flight
from server.design.sheet_files import load_sheets
from server.flight.air.atmosphere import WIND_POWER, pad_density_kg_m3
from server.flight.airframe.ascent_forecast import WIND_HEIGHT_M
from tests.accuracy.random_flights import random_changes
from tests.server.flights import FACTS


def foretold(seed: int) -> dict[str, object]:
    """Return the forecast of a random flight."""
    drawn, sheets = random_changes(seed), load_sheets(None, True)
    vehicle = copy.deepcopy(dict(sheets.vehicle))
    motor, dry_kg = vehicle["configuration"]["motor"], drawn["body.dry_mass_kg"]
    motor["thrust"] = [[t, force * drawn["motor.thrust_factor"]] for t, force in motor["thrust"]]
    vehicle |= {"liftoff_mass_kg": dry_kg + motor["propellant_kg"], "burnout_mass_kg": dry_kg}
    at_pad = (WIND_HEIGHT_M / 10.0) ** WIND_POWER * drawn["wind.speed_at_10_m_m_s"]
    density = pad_density_kg_m3(FACTS.elevation_m, FACTS.pad_temperature_k)
    area = 0.58 * 0.0034212  # the simulated vehicle's coefficient, as its coasts show it
    figures = {"drag": {"kappa_1_m": 0.5 * density * area / dry_kg, "density_kg_m3": density}}
    lean = -drawn["rail.tilt_deg"] * cos(radians(drawn["rail.azimuth_deg"] - drawn["wind.toward_deg"]))
    change = change_of({"lean_deg": lean}, None, False)
    return next_flight(vehicle, dict(sheets.site) | {"wind_m_s": at_pad}, figures, change)["changed"]
