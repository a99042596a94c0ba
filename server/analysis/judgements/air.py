"""The air over the pad, as judgements reckon with it where only its density matters."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from server.analysis.judgements.case import Case
from server.flight.air.altitude import air_sigma_share
from server.flight.air.pad_air import PadAir

# Dry air, sea level, standard day (1976 standard atmosphere; tests/SOURCES.md, atmosphere-table).
SEA_LEVEL_DENSITY_KG_M3 = 1.225
PAD_LOOK_S, PAD_QUIET_S = 55.0, 2.0  # before lift-off as heard: what is looked at, and what is left out before it


def pad_air(case: Case, with_sheet: bool = True) -> PadAir:
    """Return the air at the pad by the barometer there and the sheet's temperature, else by the sheet's elevation.

    Without a sheet as warm as the standard atmosphere, like the heights: a board's temperature is not the air's, and one
    20 K too warm would make the air 7 % too thin.
    """
    lifted = case.moments.get("lift_off")
    pressure = np.zeros(0)
    if lifted is not None:
        pressure = case.window("pressure", lifted[0] - PAD_LOOK_S, lifted[0] - PAD_QUIET_S)["pressure"]
        pressure = pressure[np.isfinite(pressure)]
    told_pa = float(np.median(pressure)) if len(pressure) else None
    return PadAir.of(told_pa, case.facts.elevation_m, case.facts.pad_temperature_k if with_sheet else None)


class HeightAir(NamedTuple):
    """The air that a height over the pad was told by: whose word, how warm at the pad (K), what a kelvin more would change
    (m), what the sheet's temperature changed (m), and one sigma of the height (m) for what is not known of the air."""

    source: str
    pad_k: float | None
    per_kelvin_m: float | None
    changes_m: float | None
    sigma_m: float


def height_air(case: Case, height_m: float, around_s: float) -> HeightAir:
    """Return what a height (m) told at about a time (timeline s) rests on."""
    told_k, air = case.facts.pad_temperature_k, pad_air(case)
    sigma_m = height_m * air_sigma_share(height_m, air.temperature_k, told_k is not None)
    if not len(case.window("pressure", around_s - PAD_QUIET_S, around_s + PAD_QUIET_S)):
        untold = air_sigma_share(height_m, air.temperature_k, False)
        return HeightAir("vehicle's own formula for altitude", None, None, None, height_m * untold)
    if told_k is None:
        return HeightAir("standard atmosphere", air.temperature_k, height_m / air.temperature_k, None, sigma_m)
    standard_k = pad_air(case, with_sheet=False).temperature_k
    return HeightAir("site's sheet", told_k, height_m / told_k, height_m * (1.0 - standard_k / told_k), sigma_m)
