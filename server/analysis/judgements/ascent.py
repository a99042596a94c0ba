"""The way up: lift-off and burnout to the hundredth, rail exit, the swing after it, apogee by every source."""

from __future__ import annotations

from math import hypot

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.analysis.figures.ascent import (
    ApogeeFigure,
    BurnoutFigure,
    LeanFigure,
    LiftOffFigure,
    RailExitFigure,
    SourceTop,
)
from server.analysis.flight_log import Window
from server.analysis.judgements.air import height_air
from server.analysis.judgements.case import Case
from server.flight.motion.apogee import Apogee, apogee_of
from server.flight.motion.burnout import burnout
from server.flight.motion.lift_off import lift_off
from server.flight.motion.rail import RailExit, angle_of_attack_rad, rail_exit
from server.flight.sensors.saturation import flat_at_full_scale

# How long after the rail a vehicle should fly as it was aimed; later it may turn over on purpose or by gravity.
STRAIGHT_S = 1.5
BEFORE_LIFT_OFF_S = 9.0
CLIPPED = "the accelerometer was at the end of its range on the rail"
BOOST_LOOK_S = 20.0
# Around the top by a receiver of one fix a second or more, its own delay included. Common practice, no source.
GNSS_BEFORE_S, GNSS_AFTER_S, GNSS_LATE_S, GNSS_FEWEST = 4.0, 1.0, 3.0, 4
REST_LOOK_S, REST_UNTIL_S = 10.0, 1.0  # before lift-off as heard
FEWEST_FORCES, FEWEST_HEIGHTS = 20, 4
MOST_OFFSET_M_S2 = 3.0  # more is no offset: it lies, or is handled
# One sigma of a height in the flow: a static port's share of the dynamic pressure, and noise. Common practice, no source.
PORT_SHARE, HEIGHT_SIGMA_M = 0.02, 0.5


def forces(case: Case, start_s: float, stop_s: float) -> tuple[Floats, Floats]:
    """Return times and force along the nose of both inertial units, merged and sorted, without what was clipped."""
    windows = [case.window(name, start_s, stop_s) for name in ("unit_a", "unit_b")]
    each = [w[f"accel.{unit}.z"] for w, unit in zip(windows, "ab", strict=True)]
    told = [~np.isnan(one) for one in each]  # others are rows of another packet
    t, along = (
        np.concatenate([one[there] for one, there in zip(of, told, strict=True)]) for of in ([w.t for w in windows], each)
    )
    flat = np.concatenate([flat_at_full_scale(one[there]) for one, there in zip(each, told, strict=True)])
    good = np.isfinite(along) & ~flat
    order = np.argsort(t[good], kind="stable")
    return t[good][order], along[good][order]


def judge_lift_off(case: Case) -> LiftOffFigure | None:
    """Return the instant of lift-off."""
    heard_s = case.moments["lift_off"][0]
    # Across a long silence the moment may lie before it: what proved it was heard later.
    until_s = max(heard_s + 1.3, case.now_s)
    t, along = forces(case, heard_s - BEFORE_LIFT_OFF_S, until_s)
    height = case.window("height", heard_s - BEFORE_LIFT_OFF_S, until_s)
    tilt = case.window("motion", heard_s - 2.0, heard_s)["tilt"]
    tilt = tilt[np.isfinite(tilt)]
    rail_tilt_rad = float(np.median(tilt)) if len(tilt) else None
    found = lift_off(t, along, height.t, height["height_raw"], heard_s, float(np.cos(rail_tilt_rad or 0.0)))
    if found is None:
        return None
    return LiftOffFigure(t=found.t_s, sigma_s=found.sigma_s, rail_tilt_rad=rail_tilt_rad)


def judge_burnout(case: Case) -> BurnoutFigure | None:
    """Return when thrust no longer overcame drag, by both units, and how high and how surely that was."""
    heard_s, height_m = case.moments["burnout"]
    lifted_s = case.t_of("lift_off") or case.moments["lift_off"][0]
    t, along = forces(case, max(lifted_s, heard_s - BOOST_LOOK_S), heard_s + 0.4)
    found = burnout(t, along, rest_offset_m_s2(case))
    if found is None:
        return None
    height = case.window("height", found.t_s - 1.0, found.t_s + 1.0)
    good = np.isfinite(height["height"])
    if good.sum() >= FEWEST_HEIGHTS:
        height_m = float(np.interp(found.t_s, height.t[good], height["height"][good]))
    climb_m_s = height_m / max(found.t_s - lifted_s, 0.1) * 2.0  # of a steady acceleration
    port_m = PORT_SHARE * climb_m_s**2 / (2.0 * GRAVITY_M_S2)
    sigma_m = hypot(climb_m_s * found.sigma_s, port_m, HEIGHT_SIGMA_M, height_air(case, height_m, found.t_s).sigma_m)
    return BurnoutFigure(t=found.t_s, sigma_s=found.sigma_s, height_m=height_m, height_sigma_m=sigma_m)


def rest_offset_m_s2(case: Case) -> float:
    """Return what the units read too much along the nose on the pad, 0 where the pad does not show it.

    The rail leans by the attitude's word, or not at all.
    """
    lifted, moment = case.figures.get(LiftOffFigure), case.moments["lift_off"][0]
    _, along = forces(case, moment - REST_LOOK_S, moment - REST_UNTIL_S)
    if len(along) < FEWEST_FORCES:
        return 0.0
    tilt = 0.0 if lifted is None else lifted.rail_tilt_rad or 0.0
    offset = float(np.median(along)) - GRAVITY_M_S2 * float(np.cos(tilt))
    return offset if abs(offset) < MOST_OFFSET_M_S2 else 0.0


def judge_rail(case: Case) -> RailExitFigure | None:
    """Return speed at the rail's end and the angle the wind makes there; nothing without the rail's length."""
    lift_off_s, length_m = case.t_of("lift_off"), case.facts.rail_length_m
    if lift_off_s is None or length_m is None:
        return None
    lifted = case.figures.get(LiftOffFigure)
    t, along = forces(case, lift_off_s - 2.0, lift_off_s + 3.0)
    found = rail_exit(t, along, lift_off_s, length_m, 0.0 if lifted is None else lifted.rail_tilt_rad or 0.0)
    if not isinstance(found, RailExit):
        return RailExitFigure(reason=CLIPPED if is_clipped(case, lift_off_s, lift_off_s + 1.0) else found.reason)
    if is_clipped(case, lift_off_s, found.t_s):
        return RailExitFigure(reason=CLIPPED)
    wind_m_s = case.facts.wind_m_s
    return RailExitFigure(
        t=found.t_s,
        speed_m_s=found.speed_m_s,
        sigma_m_s=found.sigma_m_s,
        low_m_s=found.low_m_s,
        high_m_s=found.high_m_s,
        wind_m_s=wind_m_s,
        wind_source=None if case.pad_wind is None else case.pad_wind.source,
        angle_of_attack_rad=None if wind_m_s is None else angle_of_attack_rad(wind_m_s, found.speed_m_s),
    )


def is_clipped(case: Case, start_s: float, stop_s: float) -> bool:
    """Return whether every unit that was heard met the end of its range in that stretch."""
    heard = []
    for unit in "ab":
        along = case.window(f"unit_{unit}", start_s, stop_s)[f"accel.{unit}.z"]
        along = along[~np.isnan(along)]
        if len(along):
            heard.append(bool((np.isinf(along) | flat_at_full_scale(along)).any()))
    return bool(heard) and all(heard)


def judge_lean(case: Case) -> LeanFigure | None:
    """Return how far the nose leaned while it should fly straight, when, and to which side."""
    start_s = case.t_of("lift_off")
    if start_s is None:
        return None
    motion = case.window("motion", start_s, start_s + 0.5 + STRAIGHT_S)
    tilt = np.where(np.isfinite(motion["tilt"]), motion["tilt"], -1.0)
    if not len(tilt) or tilt.max() < 0.0:
        return None
    at = int(tilt.argmax())
    azimuth = float(motion["azimuth"][at])
    return LeanFigure(
        t=float(motion.t[at]),
        greatest_tilt_rad=float(tilt[at]),
        azimuth_rad=azimuth if np.isfinite(azimuth) else None,
    )


def judge_apogee(case: Case) -> ApogeeFigure | None:
    """Return the measured top by each source of height, and how far the sources are apart."""
    top_s = case.moments["apogee"][0]
    height, state = (case.window(name, top_s - 4.0, top_s + 2.0) for name in ("height", "state"))
    told = case.window("vehicle_height", top_s - 4.0, top_s + 2.0)
    fixes = case.window("gnss", top_s - GNSS_BEFORE_S - 1.0, top_s + GNSS_LATE_S)
    tops = {
        "barometer": _top(height, "height_raw"),
        "filter": _top(height, "height"),
        "vehicle": _top(state, "position.up"),
        "vehicle_barometer": _top(told, "altitude_baro"),
        "gnss": _source_top(
            apogee_of(fixes.t, fixes["up"], before_s=GNSS_BEFORE_S, after_s=GNSS_AFTER_S, fewest=GNSS_FEWEST)
        ),
    }
    heights, height_m = [top.m for top in tops.values() if top is not None], case.moments["apogee"][1]
    air, own = height_air(case, height_m, top_s), tops["barometer"] or tops["filter"]
    return ApogeeFigure(
        t=top_s,
        height_m=height_m,
        **tops,
        spread_m=max(heights) - min(heights) if len(heights) > 1 else None,
        sigma_m=None if own is None else float(np.hypot(own.sigma_m, air.sigma_m)),
        air_from=air.source,
        air_k=air.pad_k,
        air_changes_m=air.changes_m,
        per_kelvin_m=air.per_kelvin_m,
    )


def _top(window: Window, column: str) -> SourceTop | None:
    return _source_top(apogee_of(window.t, window[column]))


def _source_top(found: Apogee | None) -> SourceTop | None:
    return None if found is None else SourceTop(m=found.height_m, t=found.t_s, sigma_m=found.sigma_m)
