"""What a recording tells of the seconds after the rail: measurements, the vehicle by its sheet, the wind before the fit."""

from __future__ import annotations

from math import cos, sin

import numpy as np

from protocol.arrays import Floats
from server.analysis.figures.ascent import RailExitFigure
from server.analysis.figures.descent import RecoveryFigure
from server.analysis.judgements.air import pad_air
from server.analysis.judgements.ascent import forces, is_clipped, rest_offset_m_s2
from server.analysis.judgements.case import Case
from server.analysis.roles import BODY_RATE, QUATERNION, VELOCITY
from server.design.configuration import Configuration
from server.design.sheet_numbers import SheetNumbers
from server.flight.airframe.barrowman import cross_section_m2
from server.flight.causes.airframe import Body
from server.flight.causes.course import LONGEST_S, Evidence
from server.flight.causes.wind import MeanWind, mean_wind
from server.flight.unmeasured import Unmeasured

USUAL_BODY_LIFT = 0.6  # per side area; common practice, no source
USUAL_SLENDERNESS = 19.0
FINS = 4  # the fins whose places around the body are known: 0, 90, 180 and 270 degrees from body x


def evidence_of(case: Case) -> Evidence | Unmeasured:
    """Return the measurements around the rail's end, or what is lacking."""
    lift_off_s, exit_s = case.t_of("lift_off"), case.t_of("rail_exit")
    rail, length_m = case.figures.get(RailExitFigure), case.facts.rail_length_m
    if lift_off_s is None:
        return Unmeasured("no lift-off was seen")
    if length_m is None:
        return Unmeasured("the sheet lacks rail_length_m, so that nobody knows when it left the rail")
    if exit_s is None or rail is None or rail.speed_m_s is None:
        why = None if rail is None else rail.reason
        return Unmeasured(f"the speed at the rail's end is not known{f': {why}' if why else ''}")
    state = case.window("state", lift_off_s - 3.0, exit_s + LONGEST_S + 0.5)
    q = state.stack(*QUATERNION)
    if not np.isfinite(q).any():
        return Unmeasured("no attitude was heard")
    burnout_s = case.t_of("burnout")
    stop_s = exit_s + LONGEST_S if burnout_s is None else min(burnout_s, exit_s + LONGEST_S)
    if is_clipped(case, lift_off_s, stop_s):
        return Unmeasured("the accelerometer was at the end of its range while it burned")
    force_t, force = forces(case, lift_off_s - 1.0, exit_s + LONGEST_S + 0.5)
    if len(force_t) < 10:
        return Unmeasured("no force along the nose was heard")
    order = np.argsort(state.t, kind="stable")
    axes = _axes(q[order])
    fin_t, fin_sums = _fins(case, lift_off_s, exit_s + LONGEST_S)
    return Evidence(
        t=state.t[order],
        nose=axes[:, :, 2],
        body_x=axes[:, :, 0],
        rate=np.einsum("nij,nj->ni", axes, state.stack(*BODY_RATE)[order]),
        velocity=state.stack(*VELOCITY)[order],
        force_t=force_t,
        force=force - rest_offset_m_s2(case),
        fin_t=fin_t,
        fin_sums=fin_sums,
        lift_off_s=lift_off_s,
        exit_s=exit_s,
        exit_m_s=rail.speed_m_s,
        exit_sigma_m_s=rail.sigma_m_s or 0.0,
        rail_m=length_m,
        burnout_s=burnout_s,
        density_kg_m3=float(pad_air(case).density_at(0.0)),
    )


def _axes(q: Floats) -> Floats:
    """Return body axes as columns of matrices (n, 3, 3) in world axes (tests/SOURCES.md, attitude-convention)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        w, x, y, z = (q / np.sqrt((q * q).sum(axis=1))[:, None]).T
    rows = (
        (1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)),
        (2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)),
        (2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)),
    )
    return np.moveaxis(np.array([[np.asarray(one) for one in row] for row in rows]), 2, 0)


def _fins(case: Case, start_s: float, stop_s: float) -> tuple[Floats, Floats]:
    """Return times and the sums of fin angles that push along body x and y, for four fins; nothing of other sets."""
    nothing = np.zeros(0), np.zeros((0, 2))
    for series in ("fins", "fins_commanded"):
        fins = case.window(series, start_s, stop_s)
        if len(fins.columns) != FINS:
            continue
        angles = fins.stack(*fins.columns)
        good = np.isfinite(angles).all(axis=1)
        if good.any():
            a = angles[good]
            # A fin at (c, s) around the nose pushes along the tangent (-s, c).
            return fins.t[good], np.column_stack([a[:, 3] - a[:, 1], a[:, 0] - a[:, 2]]) / FINS
    return nothing


def body_of(facts: SheetNumbers) -> Body | Unmeasured:
    """Return the vehicle by its sheet: by the list of its pieces, else by the few numbers of the whole."""
    if facts.configuration is not None:
        return _built(facts.configuration, facts)
    needed = {
        "diameter_m": facts.diameter_m, "center_of_gravity_m": facts.center_of_gravity_m,
        "center_of_pressure_m": facts.center_of_pressure_m, "normal_force_slope": facts.normal_force_slope,
        "lateral_inertia_kg_m2": facts.lateral_inertia_kg_m2, "burnout_mass_kg": facts.burnout_mass_kg,
    }  # fmt: skip
    told = {name: value for name, value in needed.items() if value is not None}
    if len(told) < len(needed):
        lacking = ", ".join(name for name in needed if name not in told)
        return Unmeasured(f"the sheet has no [vehicle.configuration] and lacks {lacking}")
    diameter, slope, center = told["diameter_m"], told["normal_force_slope"], told["center_of_pressure_m"]
    length = facts.length_m or USUAL_SLENDERNESS * diameter
    fin_slope = max(slope - 2.0, 0.5)
    mass, gravity, inertia = (told[key] for key in ("burnout_mass_kg", "center_of_gravity_m", "lateral_inertia_kg_m2"))
    return Body(
        diameter_m=diameter,
        length_m=length,
        slope=slope,
        pressure_center_m=center,
        fin_slope=fin_slope,
        fin_m=(slope * center - (slope - fin_slope) * 0.09 * length) / fin_slope,
        lift=_lift(facts, diameter, length),
        mass_kg=(facts.liftoff_mass_kg or mass, mass),
        gravity_m=(gravity, gravity),
        inertia_kg_m2=(inertia, inertia),
    )


def _built(made: Configuration, facts: SheetNumbers) -> Body:
    air, full, empty = made.balance(), made.mass(0.0), made.mass(1.0)
    names = {one.shape.name for one in made.fin_sets}
    fins = [part for part in air.parts if part.name in names]
    slope = sum(part.slope for part in fins)
    scale = (facts.liftoff_mass_kg or full.mass_kg) / full.mass_kg
    return Body(
        diameter_m=made.diameter_m,
        length_m=made.length_m,
        slope=air.slope,
        pressure_center_m=air.center_m,
        fin_slope=slope,
        fin_m=sum(part.slope * part.station_m for part in fins) / slope if slope > 0.0 else made.length_m,
        lift=_lift(facts, made.diameter_m, made.length_m),
        mass_kg=(full.mass_kg * scale, empty.mass_kg * scale),
        gravity_m=(full.center_m, empty.center_m),
        inertia_kg_m2=(full.lateral_inertia_kg_m2, empty.lateral_inertia_kg_m2),
    )


def _lift(facts: SheetNumbers, diameter_m: float, length_m: float) -> float:
    per_side = USUAL_BODY_LIFT if facts.body_lift is None else facts.body_lift
    return per_side * diameter_m * length_m / cross_section_m2(diameter_m)


def wind_of(case: Case) -> MeanWind:
    """Return the mean wind as believed before the fit: at the pad or by the sheet, and by the drift under canopy."""
    return mean_wind(case.facts.wind_m_s, drift_m_s(case))


def drift_m_s(case: Case) -> tuple[float, float] | None:
    """Return the wind at 10 m (east, north) by the drift under canopy, None where nothing tells it."""
    recovery = case.figures.get(RecoveryFigure)
    drift = None if recovery is None else recovery.drift
    if drift is None:
        return None
    toward, speed = drift.drift_toward_rad, drift.wind_10_m_m_s
    return speed * sin(toward), speed * cos(toward)
