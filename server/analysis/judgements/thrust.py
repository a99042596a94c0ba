"""Thrust as flown against the curve the sheet declares."""

from __future__ import annotations

from server.analysis.figures.ascent import ThrustFigure
from server.analysis.judgements.air import pad_air
from server.analysis.judgements.ascent import forces, is_clipped, rest_offset_m_s2
from server.analysis.judgements.case import Case
from server.flight.airframe.barrowman import cross_section_m2
from server.flight.airframe.thrust_share import thrust_share
from server.flight.unmeasured import Unmeasured

USUAL_DRAG = 0.6  # coefficient by the cross section; common practice, no source
CLIPPED = "the accelerometer was at the end of its range while it burned"


def judge_thrust(case: Case) -> ThrustFigure | None:
    """Return the first motor's impulse over the declared one; nothing where the sheet declares no curve."""
    facts, lift_off_s, burnout_s = case.facts, case.t_of("lift_off"), case.t_of("burnout")
    configuration = facts.configuration
    motor = None if configuration is None else configuration.motor
    if configuration is None or motor is None or lift_off_s is None or burnout_s is None:
        return None
    declared = motor.curve.impulse_n_s
    if is_clipped(case, lift_off_s, burnout_s):
        return ThrustFigure(declared_n_s=declared, reason=CLIPPED)
    t, along = forces(case, lift_off_s - 0.5, burnout_s + 0.5)
    density = float(pad_air(case).density_at(0.0))
    found = thrust_share(
        t,
        along - rest_offset_m_s2(case),
        lift_off_s,
        burnout_s,
        motor.curve,
        facts.liftoff_mass_kg or configuration.mass().mass_kg,
        motor.propellant.mass_kg,
        0.5 * density * USUAL_DRAG * cross_section_m2(configuration.diameter_m),
    )
    if isinstance(found, Unmeasured):
        return ThrustFigure(declared_n_s=declared, reason=found.reason)
    return ThrustFigure(
        t=burnout_s, declared_n_s=declared, impulse_n_s=found.impulse_n_s, share=found.share, share_sigma=found.sigma,
        burn_s=found.burn_s,
    )  # fmt: skip
