"""The greatest speed on the way up, by forces where they tell it, else by the barometer."""

from __future__ import annotations

import numpy as np

from server.analysis.figures.ascent import GreatestSpeedFigure, LiftOffFigure
from server.analysis.judgements.ascent import forces, is_clipped, rest_offset_m_s2
from server.analysis.judgements.case import Case
from server.analysis.judgements.descent import UNTOLD_AIR_SHARE
from server.flight.motion.greatest_speed import GreatestSpeed, by_barometer, by_forces, told_well
from server.flight.unmeasured import Unmeasured

AFTER_BURNOUT_S = 0.4
UNKNOWN_LIFT_OFF_S = 0.05
TOLD_AIR_SHARE = 0.01  # one sigma of the scale of heights near the ground, by an air temperature 3 K off


def judge_speed(case: Case) -> GreatestSpeedFigure | None:
    """Return the greatest speed with one sigma and what it rests on, or why nothing tells it."""
    start_s = case.t_of("lift_off")
    if start_s is None:
        return None
    found, source = told_well(_by_forces(case, start_s)), "forces"
    if isinstance(found, Unmeasured) and "apogee" in case.moments:
        reason, source = found.reason, "barometer"
        height = case.window("height", start_s, case.moments["apogee"][0])
        good = np.isfinite(height["height_raw"])
        scale = TOLD_AIR_SHARE if case.facts.pad_temperature_k is not None else UNTOLD_AIR_SHARE
        found = told_well(by_barometer(height.t[good], height["height_raw"][good], start_s, scale))
        if isinstance(found, Unmeasured):
            found = Unmeasured(f"by forces: {reason}; by the barometer: {found.reason}")
    if isinstance(found, Unmeasured):
        return GreatestSpeedFigure(reason=found.reason)
    return GreatestSpeedFigure(t=found.t_s, speed_m_s=found.speed_m_s, sigma_m_s=found.sigma_m_s, source=source)


def _by_forces(case: Case, start_s: float) -> GreatestSpeed | Unmeasured:
    end_s = case.coasts_s
    if end_s is None:
        return Unmeasured("no burnout was seen in the forces")
    if is_clipped(case, start_s, end_s):
        return Unmeasured("the accelerometer was at the end of its range")
    t, along = forces(case, start_s - 1.0, end_s + AFTER_BURNOUT_S)
    motion = case.window("motion", start_s - 1.0, end_s + AFTER_BURNOUT_S)
    known = np.isfinite(motion["tilt"])
    tilt = np.interp(t, motion.t[known], motion["tilt"][known]) if known.any() else np.zeros(len(t))
    lifted = case.figures.get(LiftOffFigure)
    sigma_s = UNKNOWN_LIFT_OFF_S if lifted is None else lifted.sigma_s
    return by_forces(t, along - rest_offset_m_s2(case), start_s, sigma_s, np.cos(tilt), bool(known.any()))
