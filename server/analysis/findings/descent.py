"""Rules about the way down."""

from __future__ import annotations

from server.analysis.figures.descent import DescentFigure, RecoveryFigure
from server.analysis.figures.figure import Figures
from server.analysis.findings.finding import FlightFinding, Moments, known

LATE_DEPLOYMENT_S = 1.5


def late_deployment(figures: Figures, moments: Moments) -> FlightFinding | None:
    """Deployment surely late or early against apogee."""
    figure = figures.get(RecoveryFigure)
    if figure is None or figure.deployment is None:
        return None
    delay = figure.deployment.delay_s
    if not abs(delay) > LATE_DEPLOYMENT_S:
        return None
    word = "after" if delay > 0 else "before"
    return FlightFinding(
        "deployment_time", "warning", f"deployment {abs(delay):.1f} s {word} apogee", known(figure.deployment.t),
        "Speed at deployment breaks cords; look at what the vehicle took for apogee.", {"deployment_delay_s": delay},
    )  # fmt: skip


def fast_descent(figures: Figures, moments: Moments) -> FlightFinding | None:
    """Descent too fast for both parachutes."""
    figure = figures.get(DescentFigure)
    if figure is None or figure.under not in ("one", "none") or figure.expected_both_m_s is None:
        return None
    rate, expected = figure.rate_m_s, figure.expected_both_m_s
    under = "one parachute" if figure.under == "one" else "no parachute"
    return FlightFinding(
        "fast_descent", "warning", f"came down under {under}: {rate:.1f} m/s where both give {expected:.1f} m/s",
        known(figure.t), "Look for the parachute that stayed in: packing, protection, charge, tangled lines.",
        {"rate_m_s": rate, "expected_both_m_s": expected, "energy_j": figure.energy_j},
    )  # fmt: skip
