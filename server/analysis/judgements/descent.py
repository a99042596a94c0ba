"""The way down: how fast, and under how many parachutes."""

from __future__ import annotations

from server.analysis.judgements.case import Case, Figure
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


def judge_descent(case: Case) -> list[Figure]:
    """Return the settled descent rate so far, what it hangs on by the sheet's rates, and rate and energy at landing."""
    start_s = end_of_flight(case)
    if start_s is None:
        return []
    landed = case.moments.get("landing")
    end_s = landed[0] if landed is not None else case.now_s
    height = case.window("height", start_s, end_s)
    found = settled_descent(height.t, height["height_raw"], start_s, end_s, BAROMETER_SIGMA_M)
    if found is None:
        return []
    facts = case.facts
    body: dict[str, object] = {
        "t": found.start_s,
        "rate_m_s": found.rate_m_s,
        "sigma_m_s": found.sigma_m_s,
        "under": CANNOT_TELL,
        "expected_both_m_s": facts.descent_both_m_s,
        "expected_one_m_s": facts.descent_one_m_s,
    }
    if facts.descent_both_m_s is not None and facts.descent_one_m_s is not None:
        verdict = which_canopies(found, Expected(facts.descent_both_m_s, facts.descent_one_m_s))
        body |= {"under": verdict.canopies, "reason_text": verdict.reason}
    if landed is not None:
        last = landing_rate(height.t, height["height_raw"], landed[0], BAROMETER_SIGMA_M)
        if last is not None:
            body["landing_m_s"] = last.rate_m_s
            if facts.burnout_mass_kg is not None:
                body["energy_j"] = landing_energy_j(facts.burnout_mass_kg, last.rate_m_s)
    return [Figure("descent", "", body)]
