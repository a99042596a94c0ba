"""The air over the pad, as judgements reckon with it where only its density matters."""

from __future__ import annotations

import numpy as np

from server.analysis.judgements.case import Case
from server.flight.air.pad_air import PadAir

# Dry air, sea level, standard day (1976 standard atmosphere; tests/SOURCES.md, atmosphere-table).
SEA_LEVEL_DENSITY_KG_M3 = 1.225
PAD_LOOK_S, PAD_QUIET_S = 55.0, 2.0  # before lift-off as heard: what is looked at, and what is left out before it


def pad_air(case: Case) -> PadAir:
    """Return the air at the pad by the barometer there and the sheet's temperature, else by the sheet's elevation."""
    lifted = case.moments.get("lift_off")
    pressure = np.zeros(0)
    if lifted is not None:
        pressure = case.window("pressure", lifted[0] - PAD_LOOK_S, lifted[0] - PAD_QUIET_S)["pressure"]
        pressure = pressure[np.isfinite(pressure)]
    told_pa = float(np.median(pressure)) if len(pressure) else None
    return PadAir.of(told_pa, case.facts.elevation_m, case.facts.pad_temperature_k)
