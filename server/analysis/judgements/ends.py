"""Sensors that stood at the end of a range nobody declared, on the way up."""

from __future__ import annotations

import numpy as np

from server.analysis.figures.control import ClippedFigure, FlatSensor
from server.analysis.judgements.case import Case
from server.analysis.judgements.control import end_of_flight
from server.flight.sensors.flat import flat_end

# Less than this is no end of any range: a sensor that died at rest. Common practice, no source.
LEAST = {"accel": 20.0, "gyro": 1.0}


def judge_ends(case: Case) -> ClippedFigure | None:
    """Return the roles of the inertial units that stood still at their greatest value; None when none did."""
    start_s, end_s = case.t_of("lift_off"), end_of_flight(case)
    if start_s is None or end_s is None:
        return None
    found = []
    for unit in "ab":
        window = case.window(f"unit_{unit}", start_s, end_s)
        order = np.argsort(window.t, kind="stable")
        for kind, least in LEAST.items():
            for axis in "xyz":
                role = f"{kind}.{unit}.{axis}"
                values = window[role][order]
                known = np.isfinite(values)
                flat = None if role in case.ranged else flat_end(values[known])
                if flat is not None and abs(flat.value) >= least:
                    t = window.t[order][known]
                    first_s, last_s = float(t[flat.first]), float(t[flat.last])
                    seconds = last_s - first_s
                    found.append(FlatSensor(role=role, t=first_s, value=flat.value, seconds=seconds, samples=flat.samples))
    return ClippedFigure(t=min(one.t for one in found), sensors=tuple(found)) if found else None
