"""How much the air held it back: drag fitted over the coast, kept so that the next flight can be computed from this one."""

from __future__ import annotations

from math import exp

import numpy as np

from server.analysis.figures.ascent import DragFigure
from server.analysis.judgements.ascent import forces
from server.analysis.judgements.case import Case
from server.flight.air.atmosphere import pad_density_kg_m3
from server.flight.airframe.ascent_forecast import drag_area_m2
from server.flight.airframe.barrowman import cross_section_m2
from server.flight.motion.coast import THRUST_TAIL_S, DragFit
from server.flight.motion.drag_rise import DENSITY_HEIGHT_M

FEWEST = 10
FAST_M_S = 15.0  # below it the accelerometer's bias is a large share of the drag


def judge_drag(case: Case) -> DragFigure | None:
    """Return deceleration per speed squared at pad density with its sigma, and drag area and coefficient by the sheet."""
    start_s, end_s = case.coasts_s, case.t_of("apogee")
    if start_s is None or end_s is None:
        return None
    t, along = forces(case, start_s + THRUST_TAIL_S, end_s)
    motion, height = case.window("motion", start_s, end_s), case.window("height", start_s, end_s)
    known = np.isfinite(motion["speed"])
    if known.sum() < FEWEST or len(height) < FEWEST:
        return None
    speed = np.interp(t, motion.t[known], motion["speed"][known], right=0.0)
    up = np.interp(t, height.t, height["height"])
    # The prior is so wide that it says nothing: this number is to come from this flight alone.
    fit, fastest = DragFit(sigma_1_m=1.0), 0.0
    for force, v, h in zip(along.tolist(), speed.tolist(), up.tolist(), strict=True):
        if v >= FAST_M_S:
            fit.take(force, v, exp(-h / DENSITY_HEIGHT_M))
            fastest = max(fastest, v)
    if fit.count < FEWEST:
        return None
    kappa, sigma = fit.estimate()
    f = case.facts
    density = pad_density_kg_m3(f.elevation_m, f.pad_temperature_k)
    area = None if f.burnout_mass_kg is None else drag_area_m2(kappa, f.burnout_mass_kg, density)
    return DragFigure(
        t=start_s,
        kappa_1_m=kappa,
        sigma_1_m=sigma,
        fastest_m_s=fastest,
        density_kg_m3=density,
        drag_area_m2=area,
        coefficient=None if area is None or f.diameter_m is None else area / cross_section_m2(f.diameter_m),
    )
