"""The way down: in which stages, how fast, under how many parachutes by the sheet, and how it met the ground."""

from __future__ import annotations

from math import hypot

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.analysis.figures.descent import DescentFigure, DescentStage, OpeningFigure, Parted
from server.analysis.judgements.air import pad_air
from server.analysis.judgements.case import Case
from server.analysis.judgements.control import end_of_flight
from server.flight.air.pad_air import SEA_LEVEL_DENSITY_KG_M3
from server.flight.descent.canopies import CANNOT_TELL, Descent, Expected, landing_energy_j, which_canopies
from server.flight.descent.heights import heights_of
from server.flight.descent.opening import APOGEE_FOLLOWS_S, LOOKS_S, held_back
from server.flight.descent.parting import parting
from server.flight.descent.stages import Stage, WayDown, way_down
from server.flight.descent.touchdown import Touchdown, touchdown

BAROMETER_SIGMA_M = 0.4
BEFORE_LANDING_S = 20.0
FEWEST_FORCES = 20
# One sigma of a rate by heights whose scale rests on the air: its lapse and density over kilometers, and its temperature
# where nobody told it (258 to 308 K, evenly, are the days on which people fly). Our choice.
LAPSE_SHARE, UNTOLD_AIR_SHARE = 0.015, 0.05
PORT_LAG_S = 0.15  # one sigma of what a port with a small hole in a large bay adds to a landing's time. Our choice.
SLOWED_S = 1.0


def judge_descent(case: Case) -> DescentFigure | None:
    """Return the stages so far, what the last one hangs on by the sheet's rates, and rate and energy at landing."""
    start_s = end_of_flight(case)
    if start_s is None:
        return None
    landed, last = case.moments.get("landing"), None
    end_s = case.now_s
    if landed is not None:
        last = _touchdown(case, landed[0])
        end_s = landed[0] if last is None else last.t_s
    height = case.window("height", start_s, end_s)
    heard = heights_of(height.t, height["height_raw"], start_s, end_s, BAROMETER_SIGMA_M)
    found = way_down(heard, pad_air(case), _forces(case, start_s, end_s))
    if found is None:
        return None
    scale = _scale_share(case, start_s)
    facts, settled = case.facts, found.stages[-1]
    both_m_s, one_m_s, mass_kg = facts.descent_both_m_s, facts.descent_one_m_s, facts.burnout_mass_kg
    verdict = None
    if both_m_s is not None and one_m_s is not None:
        # The sheet's rates are taken for those in standard air at sea level, as rates are usually given.
        verdict = which_canopies(
            Descent(
                settled.rate_m_s,
                hypot(settled.sigma_m_s, scale * settled.rate_m_s),
                settled.start_s,
                settled.end_s,
                settled.samples,
            ),
            Expected(both_m_s, one_m_s, density_kg_m3=SEA_LEVEL_DENSITY_KG_M3),
            settled.density_kg_m3,
        )
    return DescentFigure(
        t=settled.start_s,
        rate_m_s=settled.rate_m_s,
        sigma_m_s=hypot(settled.sigma_m_s, scale * settled.rate_m_s),
        under=CANNOT_TELL if verdict is None else verdict.canopies,
        expected_both_m_s=both_m_s,
        expected_one_m_s=one_m_s,
        reason_text=None if verdict is None else verdict.reason,
        landing_t=None if last is None else last.t_s,
        landing_m_s=None if last is None else last.rate_m_s,
        landing_sigma_s=None if last is None else hypot(last.sigma_s, PORT_LAG_S),
        landing_sigma_m_s=None if last is None else hypot(last.sigma_m_s, scale * last.rate_m_s),
        energy_j=None if last is None or mass_kg is None else landing_energy_j(mass_kg, last.rate_m_s),
        stages=tuple(_told(stage, scale) for stage in found.stages),
        fastest_m_s=found.fastest_m_s,
        fastest_sigma_m_s=found.fastest_sigma_m_s,
        fastest_t=found.fastest_s,
        fastest_fallen_m=found.fastest_fallen_m,
        parted=_parted(found, both_m_s),
    )


def judge_opening(case: Case) -> OpeningFigure | None:
    """Return where something held it back while it still climbed, None where nothing did or too little was heard."""
    lift_off_s, apogee = case.t_of("lift_off"), case.moments.get("apogee")
    if lift_off_s is None or apogee is None:
        return None
    height = case.window("height", lift_off_s, apogee[0] + LOOKS_S[-1][1])
    coasts_s = case.coasts_s
    if coasts_s is None:
        climb = np.where(np.isfinite(height["climb_rate"]), height["climb_rate"], -np.inf)
        if not len(height) or not np.isfinite(climb.max()):
            return None
        # Without a force: the motor was out by the time it had slowed down for a second.
        coasts_s = float(height.t[int(climb.argmax())]) + SLOWED_S
    start_s = max(coasts_s, apogee[0] - APOGEE_FOLLOWS_S - 2.0)
    found = held_back(
        heights_of(height.t, height["height_raw"], start_s, apogee[0] + LOOKS_S[-1][1], BAROMETER_SIGMA_M),
        coasts_s,
        apogee[0],
    )
    if found is None:
        return None
    early_s = max(found.t_s + found.climb_m_s / GRAVITY_M_S2 - apogee[0], 0.0)
    return OpeningFigure(t=found.t_s, climb_m_s=found.climb_m_s, sigma_m_s=found.sigma_m_s, early_s=early_s)


def _parted(found: WayDown, both_m_s: float | None) -> Parted | None:
    lost = parting(found.stages, both_m_s)
    if lost is None:
        return None
    return Parted(
        t=lost.t_s, height_m=lost.height_m, before_m_s=lost.before_m_s, after_m_s=lost.after_m_s,
        share_kept=lost.share_kept, share_sigma=lost.share_sigma,
    )  # fmt: skip


def _touchdown(case: Case, landed_s: float) -> Touchdown | None:
    """Return the end of the fall by the raw heights around the landing as it was detected, which may be late."""
    around = case.window("height", landed_s - BEFORE_LANDING_S, case.now_s)
    return touchdown(heights_of(around.t, around["height_raw"], landed_s - BEFORE_LANDING_S, case.now_s, BAROMETER_SIGMA_M))


def _forces(case: Case, start_s: float, end_s: float) -> tuple[Floats, Floats] | None:
    """Return force in body axes of the first unit that was heard on the way down, or None."""
    for unit in "ab":
        window = case.window(f"unit_{unit}", start_s, end_s)
        table = window.stack(*(f"accel.{unit}.{axis}" for axis in "xyz"))
        good = np.isfinite(table).all(axis=1)
        if good.sum() >= FEWEST_FORCES:
            return window.t[good], table[good]
    return None


def _scale_share(case: Case, top_s: float) -> float:
    """Return one sigma, as a share, of how far the scale of heights is known."""
    pressures = case.window("pressure", top_s, case.now_s)["pressure"]
    told = case.facts.pad_temperature_k is not None and np.isfinite(pressures).any()
    return LAPSE_SHARE if told else hypot(LAPSE_SHARE, UNTOLD_AIR_SHARE)


def _told(stage: Stage, scale: float) -> DescentStage:
    return DescentStage(
        kind=stage.kind,
        start_t=stage.start_s,
        end_t=stage.end_s,
        from_m=stage.top_m,
        rate_m_s=stage.rate_m_s,
        sigma_m_s=hypot(stage.sigma_m_s, scale * stage.rate_m_s),
        density_kg_m3=stage.density_kg_m3,
        sea_level_m_s=stage.sea_level_m_s,
        sea_level_sigma_m_s=hypot(stage.sea_level_sigma_m_s, scale * stage.sea_level_m_s),
    )
