"""The way up: lift-off and burnout to the hundredth, rail exit, the swing after it, apogee by every source."""

from __future__ import annotations

import numpy as np

from server.flight.lift_off import lift_off
from server.judgements.case import Case, Figure


def forces(case: Case, start_s: float, stop_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Return times and force along the nose of both inertial units, merged and sorted."""
    windows = [case.window(name, start_s, stop_s) for name in ("unit_a", "unit_b")]
    t = np.concatenate([w.t for w in windows])
    along = np.concatenate([w[f"accel.{unit}.z"] for w, unit in zip(windows, "ab", strict=True)])
    good = np.isfinite(along)
    order = np.argsort(t[good], kind="stable")
    return t[good][order], along[good][order]


def judge_lift_off(case: Case) -> list[Figure]:
    """Return the instant of lift-off."""
    heard_s = case.moments["lift_off"][0]
    t, along = forces(case, heard_s - 2.0, heard_s + 1.3)
    height = case.window("height", heard_s - 2.0, heard_s + 1.3)
    tilt = case.window("motion", heard_s - 2.0, heard_s)["tilt"]
    tilt = tilt[np.isfinite(tilt)]
    cos_tilt = float(np.cos(np.median(tilt))) if len(tilt) else 1.0
    found = lift_off(t, along, height.t, height["height_raw"], heard_s, cos_tilt)
    if found is None:
        return []
    body = {"t": found.t_s, "sigma_s": found.sigma_s, "rail_tilt_rad": float(np.arccos(cos_tilt))}
    return [Figure("lift_off", "", body)]
