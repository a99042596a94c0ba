"""Motors that lit in the air: ignition and burnout of the second and the third thrust to the hundredth, by the forces."""

from __future__ import annotations

from collections.abc import Callable
from math import hypot

import numpy as np

from protocol.units import GRAVITY_M_S2
from server.analysis.figures.ascent import BURNOUTS, IGNITIONS, BurnoutFigure, IgnitionFigure
from server.analysis.judgements.air import height_air
from server.analysis.judgements.ascent import HEIGHT_SIGMA_M, PORT_SHARE, forces, rest_offset_m_s2
from server.analysis.judgements.case import Case, numbered
from server.flight.motion.air_start import BEFORE_S, PUSHES_S, ignition
from server.flight.motion.burnout import burnout

PUSHED_SHARE = 0.5  # of the strongest force: a burn is looked at from there on
AFTER_S = 0.4
FEWEST_HEIGHTS = 4


def judge_ignition(thrust: int) -> Callable[[Case], IgnitionFigure | None]:
    """Return what judges when the motor of this number lit."""

    def judge(case: Case) -> IgnitionFigure | None:
        key = numbered("ignition", thrust)
        heard_s, height_m = case.moments[key]
        t, along = forces(case, heard_s - BEFORE_S, heard_s + PUSHES_S[1])
        found = ignition(t, along - rest_offset_m_s2(case), heard_s)
        if found is None:
            return None
        height_m, sigma_m = _height(case, found.t_s, found.sigma_s, height_m)
        return IGNITIONS[key](t=found.t_s, sigma_s=found.sigma_s, height_m=height_m, height_sigma_m=sigma_m)

    return judge


def judge_later_burnout(thrust: int) -> Callable[[Case], BurnoutFigure | None]:
    """Return what judges when the thrust of this number no longer overcame drag."""

    def judge(case: Case) -> BurnoutFigure | None:
        key = numbered("burnout", thrust)
        lit_s = case.t_of(numbered("ignition", thrust))
        heard_s, height_m = case.moments[key]
        if lit_s is None:
            return None
        t, along = forces(case, lit_s, heard_s + AFTER_S)
        offset = rest_offset_m_s2(case)
        if not len(t):
            return None
        # What it takes to rise is no end of the burn.
        first = int(np.argmax(along - offset >= PUSHED_SHARE * float((along - offset).max())))
        found = burnout(t[first:], along[first:], offset)
        if found is None:
            return None
        height_m, sigma_m = _height(case, found.t_s, found.sigma_s, height_m)
        return BURNOUTS[key](t=found.t_s, sigma_s=found.sigma_s, height_m=height_m, height_sigma_m=sigma_m)

    return judge


def _height(case: Case, t_s: float, sigma_s: float, height_m: float) -> tuple[float, float]:
    """Return how high (m) it was then, with one sigma; `height_m` where too few heights were heard around it."""
    height = case.window("height", t_s - 1.0, t_s + 1.0)
    good = np.isfinite(height["height"]) & np.isfinite(height["climb_rate"])
    climb_m_s = height_m / max(t_s - case.moments["lift_off"][0], 0.1)
    if good.sum() >= FEWEST_HEIGHTS:
        height_m = float(np.interp(t_s, height.t[good], height["height"][good]))
        climb_m_s = float(np.interp(t_s, height.t[good], height["climb_rate"][good]))
    port_m = PORT_SHARE * climb_m_s**2 / (2.0 * GRAVITY_M_S2)
    return height_m, hypot(climb_m_s * sigma_s, port_m, HEIGHT_SIGMA_M, height_air(case, height_m, t_s).sigma_m)
