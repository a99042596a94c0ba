"""How well the numbers of a sheet are known: one sigma each, for what is foreseen with an interval.

    [vehicle.doubt]
    impulse_percent = 3
    drag_percent = 12

    [site.doubt]
    wind_percent = 20
    wind_from_deg = 15

What a sheet leaves out is taken as in `draws.Sigmas`: common practice, no source. Drag has two: from a flight's own coast,
and from no flight at all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from math import radians

from server.flight.dispersion.draws import Sigmas
from server.flight.motion.drag_curve import LEVEL_SIGMA

MEASURED_DRAG = 0.06  # of a coast the station has judged: README tells how far off it was; our choice
TABLE = "doubt"


class DoubtFault(Exception):
    """A doubt cannot be one; the text is one sentence without its end."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A key of a sheet's `doubt` table: which sigma, the factor from the key's unit, the most it may be, in words."""

    sheet: str
    sigma: str
    scale: float
    most: float
    words: str


PERCENT, MILLI, DEGREES = 0.01, 0.001, radians(1.0)
DOUBTS: dict[str, Doubt] = {
    "impulse_percent": Doubt("vehicle", "impulse", PERCENT, 30.0, "total impulse of the motor"),
    "burn_time_percent": Doubt("vehicle", "burn_time", PERCENT, 30.0, "its burn time"),
    "mass_percent": Doubt("vehicle", "mass", PERCENT, 20.0, "mass without propellant"),
    "center_of_gravity_mm": Doubt("vehicle", "center_of_gravity_m", MILLI, 200.0, "center of gravity"),
    "center_of_pressure_mm": Doubt("vehicle", "center_of_pressure_m", MILLI, 300.0, "center of pressure"),
    "drag_percent": Doubt("vehicle", "drag", PERCENT, 60.0, "drag"),
    "thrust_deg": Doubt("vehicle", "thrust_angle", DEGREES, 3.0, "thrust beside the axis, in each of two directions"),
    "fin_cant_deg": Doubt("vehicle", "fin_cant", DEGREES, 3.0, "fins set at an angle"),
    "descent_area_percent": Doubt("vehicle", "descent_area", PERCENT, 60.0, "drag area under what opens"),
    "rail_deg": Doubt("site", "rail_tilt", DEGREES, 10.0, "lean of the rail, in each of two directions"),
    "wind_percent": Doubt("site", "wind", PERCENT, 80.0, "wind speed"),
    "wind_m_s": Doubt("site", "wind_m_s", 1.0, 10.0, "wind besides, in each of two directions"),
    "wind_from_deg": Doubt("site", "wind_turn", DEGREES, 90.0, "wind direction"),
    "wind_power": Doubt("site", "wind_power", 1.0, 0.3, "power of the wind's growth with height"),
}
assert {one.sigma for one in DOUBTS.values()} < {field.name for field in fields(Sigmas)}


def sigmas_of(vehicle: Mapping[str, object], site: Mapping[str, object], drag_is_measured: bool = False) -> Sigmas:
    """Return the sigmas of two sheets; raises DoubtFault."""
    told: dict[str, float] = {}
    for name, sheet in (("vehicle", vehicle), ("site", site)):
        table = sheet.get(TABLE, {})
        if not isinstance(table, Mapping):
            raise DoubtFault(f"{name}.{TABLE} must be a table")
        for key, value in table.items():
            told.update(_sigma(name, key, value))
    return replace(Sigmas(drag=MEASURED_DRAG if drag_is_measured else LEVEL_SIGMA), **told)


def _sigma(name: str, key: str, value: object) -> dict[str, float]:
    doubt = DOUBTS.get(key)
    if doubt is None or doubt.sheet != name:
        known = ", ".join(one for one, what in DOUBTS.items() if what.sheet == name)
        raise DoubtFault(f"{name}.{TABLE} has {str(key)[:40]!r}, which is none of {known}")
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value <= doubt.most:
        raise DoubtFault(f"{name}.{TABLE} gives {key} = {str(value)[:24]}; it is one sigma from 0 to {doubt.most:g}")
    return {doubt.sigma: value * doubt.scale}


def doubts_told(sigmas: Sigmas) -> dict[str, str]:
    """Return each doubt in words, one sigma, by its key's words."""
    return {one.words: _amount(key, getattr(sigmas, one.sigma) / one.scale) for key, one in DOUBTS.items()}


def _amount(key: str, value: float) -> str:
    units = {"_percent": " %", "_mm": " mm", "_deg": "\u00b0", "_m_s": " m/s"}
    return f"{value:.3g}" + next((unit for ending, unit in units.items() if key.endswith(ending)), "")
