"""The whole list of rules, and what they find."""

from __future__ import annotations

from collections.abc import Callable

from server.analysis.figures.figure import Figures
from server.analysis.findings.ascent import corkscrew, pitched_over, swings_slowly
from server.analysis.findings.control import (
    bad_number,
    clipped,
    control_untested,
    guard_acted,
    phases_differ,
    roll_reversed,
    saturated,
    servo_cable_open,
    state_doubtful,
)
from server.analysis.findings.descent import (
    ballistic_descent,
    cord_parted,
    fast_descent,
    hard_landing,
    late_deployment,
    late_opening,
    no_deployment,
    opened_early,
)
from server.analysis.findings.finding import FlightFinding, Moments
from server.analysis.findings.link import thin_link
from server.analysis.findings.pad import accelerometer_biased, barometer_warm, battery_tired, no_continuity, unit_drifts

RULES: tuple[Callable[[Figures, Moments], FlightFinding | None], ...] = (
    no_continuity,
    unit_drifts,
    battery_tired,
    accelerometer_biased,
    barometer_warm,
    pitched_over,
    swings_slowly,
    corkscrew,
    control_untested,
    bad_number,
    guard_acted,
    servo_cable_open,
    state_doubtful,
    saturated,
    clipped,
    phases_differ,
    roll_reversed,
    late_deployment,
    opened_early,
    late_opening,
    cord_parted,
    fast_descent,
    ballistic_descent,
    no_deployment,
    hard_landing,
    thin_link,
)


def findings(figures: Figures, moments: Moments, failed: Callable[[str, Exception], None]) -> list[FlightFinding]:
    """Return everything the rules find, in the order of the table; `failed` is told the name of each that raises."""
    out: list[FlightFinding] = []
    for rule in RULES:
        try:
            found = rule(figures, moments)
        except Exception as error:
            failed(rule.__name__, error)
            continue
        if found is not None:
            out.append(found)
    return out
