"""The way up: lift-off and burnout to the hundredth, rail exit, the swing after it, apogee by every source."""

from __future__ import annotations

import numpy as np

from server.analysis.judgements.case import Case, Figure
from server.flight.motion.apogee import apogee_of
from server.flight.motion.lift_off import lift_off
from server.flight.motion.rail import RailExit, angle_of_attack_rad, rail_exit

# How long after the rail a vehicle should fly as it was aimed; later it may turn over on purpose or by gravity.
STRAIGHT_S = 1.5
STRAIGHT_GAP_S = 0.06


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


def judge_burnout(case: Case) -> list[Figure]:
    """Return when thrust no longer overcame drag: where the force along the nose went through zero, by both units."""
    heard_s, height_m = case.moments["burnout"]
    t, along = forces(case, heard_s - 1.0, heard_s + 0.4)
    negative = along <= 0.0
    lasting = negative[:-2] & negative[1:-1] & negative[2:]
    after = np.flatnonzero(lasting)
    if not len(after) or after[0] == 0:
        return []
    first = int(after[0])
    gap = float(t[first] - t[first - 1])
    # Across a burst of loss the force is no straight line: the middle is the best guess.
    share = along[first - 1] / (along[first - 1] - along[first]) if gap <= STRAIGHT_GAP_S else 0.5
    body = {"t": float(t[first - 1] + share * gap), "sigma_s": gap / 3.46, "height_m": height_m}
    return [Figure("burnout", "", body)]


def judge_rail(case: Case) -> list[Figure]:
    """Return speed at the rail's end and the angle the sheet's wind makes there; nothing without the rail's length."""
    lift_off_s, length_m = case.t_of("lift_off"), case.facts.rail_length_m
    if lift_off_s is None or length_m is None:
        return []
    tilt = case.figures.get("lift_off", {}).get("rail_tilt_rad", 0.0)
    t, along = forces(case, lift_off_s - 2.0, lift_off_s + 3.0)
    found = rail_exit(t, along, lift_off_s, length_m, float(tilt))
    if not isinstance(found, RailExit):
        return [Figure("rail_exit", "", {"reason": found.reason})]
    body: dict[str, object] = {
        "t": found.t_s,
        "speed_m_s": found.speed_m_s,
        "sigma_m_s": found.sigma_m_s,
        "low_m_s": found.low_m_s,
        "high_m_s": found.high_m_s,
    }
    if case.facts.wind_m_s is not None:
        body["wind_m_s"] = case.facts.wind_m_s
        body["angle_of_attack_rad"] = angle_of_attack_rad(case.facts.wind_m_s, found.speed_m_s)
    return [Figure("rail_exit", f"left the rail at {found.speed_m_s:.1f} m/s", body)]


def judge_lean(case: Case) -> list[Figure]:
    """Return how far the nose leaned while it should fly straight, when, and to which side."""
    start_s = case.t_of("lift_off")
    if start_s is None:
        return []
    motion = case.window("motion", start_s, start_s + 0.5 + STRAIGHT_S)
    tilt = np.where(np.isfinite(motion["tilt"]), motion["tilt"], -1.0)
    if not len(tilt) or tilt.max() < 0.0:
        return []
    at = int(tilt.argmax())
    azimuth = float(motion["azimuth"][at])
    body = {"t": float(motion.t[at]), "greatest_tilt_rad": float(tilt[at])}
    return [Figure("lean", "", body | ({"azimuth_rad": azimuth} if np.isfinite(azimuth) else {}))]


def judge_apogee(case: Case) -> list[Figure]:
    """Return the measured top by each source of height, and how far the sources are apart."""
    top_s = case.moments["apogee"][0]
    sources = {
        "barometer": (case.window("height", top_s - 4.0, top_s + 2.0), "height_raw"),
        "filter": (case.window("height", top_s - 4.0, top_s + 2.0), "height"),
        "vehicle": (case.window("state", top_s - 4.0, top_s + 2.0), "position.up"),
        "vehicle_barometer": (case.window("vehicle_height", top_s - 4.0, top_s + 2.0), "altitude_baro"),
    }
    body: dict[str, object] = {"t": top_s, "height_m": case.moments["apogee"][1]}
    heights = []
    for name, (window, column) in sources.items():
        found = apogee_of(window.t, window[column])
        if found is not None:
            heights.append(found.height_m)
            body |= {f"{name}_m": found.height_m, f"{name}_t": found.t_s, f"{name}_sigma_m": found.sigma_m}
    if len(heights) > 1:
        body["spread_m"] = max(heights) - min(heights)
    return [Figure("apogee", "", body)]
