"""The sensors at rest before lift-off: what they would be judged by if somebody had looked."""

from __future__ import annotations

import numpy as np

from server.analysis.figures.pad import PadSensorsFigure
from server.analysis.judgements.air import PAD_LOOK_S, PAD_QUIET_S
from server.analysis.judgements.case import Case

FEWEST = 20


def judge_pad_sensors(case: Case) -> PadSensorsFigure | None:
    """Return the length of force by each unit and the barometer's temperature over the last minute before lift-off."""
    start_s, stop_s = (case.moments["lift_off"][0] - ago for ago in (PAD_LOOK_S, PAD_QUIET_S))
    warmth = case.window("warmth", start_s, stop_s)["baro_temperature"]
    warmth = warmth[np.isfinite(warmth)]
    forces = [_force(case, unit, start_s, stop_s) for unit in "ab"]
    told_k = float(np.median(warmth)) if len(warmth) >= FEWEST else None
    if forces == [None, None] and told_k is None:
        return None
    return PadSensorsFigure(
        t=stop_s,
        force_a_m_s2=forces[0],
        force_b_m_s2=forces[1],
        barometer_k=told_k,
        air_k=case.facts.pad_temperature_k,
    )


def _force(case: Case, unit: str, start_s: float, stop_s: float) -> float | None:
    """Return the median length of a unit's force (m/s2), None where not all three axes were heard."""
    table = case.window(f"unit_{unit}", start_s, stop_s).stack(*(f"accel.{unit}.{axis}" for axis in "xyz"))
    table = table[np.isfinite(table).all(axis=1)]
    return float(np.median(np.sqrt((table * table).sum(axis=1)))) if len(table) >= FEWEST else None
