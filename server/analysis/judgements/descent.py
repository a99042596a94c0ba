"""The way down: how fast, and under how many parachutes."""

from __future__ import annotations

from server.analysis.figures.descent import DescentFigure
from server.analysis.judgements.case import Case
from server.analysis.judgements.control import end_of_flight
from server.flight.descent.canopies import (
    CANNOT_TELL,
    Expected,
    landing_energy_j,
    landing_rate,
    settled_descent,
    which_canopies,
)

BAROMETER_SIGMA_M = 0.4


def judge_descent(case: Case) -> DescentFigure | None:
    """Return the settled descent rate so far, what it hangs on by the sheet's rates, and rate and energy at landing."""
    start_s = end_of_flight(case)
    if start_s is None:
        return None
    landed = case.moments.get("landing")
    end_s = landed[0] if landed is not None else case.now_s
    height = case.window("height", start_s, end_s)
    found = settled_descent(height.t, height["height_raw"], start_s, end_s, BAROMETER_SIGMA_M)
    if found is None:
        return None
    facts = case.facts
    both_m_s, one_m_s = facts.descent_both_m_s, facts.descent_one_m_s
    verdict = None if both_m_s is None or one_m_s is None else which_canopies(found, Expected(both_m_s, one_m_s))
    last = None if landed is None else landing_rate(height.t, height["height_raw"], landed[0], BAROMETER_SIGMA_M)
    mass_kg = facts.burnout_mass_kg
    return DescentFigure(
        t=found.start_s,
        rate_m_s=found.rate_m_s,
        sigma_m_s=found.sigma_m_s,
        under=CANNOT_TELL if verdict is None else verdict.canopies,
        expected_both_m_s=both_m_s,
        expected_one_m_s=one_m_s,
        reason_text=None if verdict is None else verdict.reason,
        landing_m_s=None if last is None else last.rate_m_s,
        energy_j=None if last is None or mass_kg is None else landing_energy_j(mass_kg, last.rate_m_s),
    )
