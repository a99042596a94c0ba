"""Rules about the time before the flight."""

from __future__ import annotations

from server.analysis.figures.figure import Figures
from server.analysis.figures.pad import (
    AccelUnitsFigure,
    BatteryFigure,
    ContinuityFigure,
    GyroUnitsFigure,
    UnitDriftFigure,
    UnitsApartFigure,
)
from server.analysis.findings.finding import FlightFinding, Moments, known

SAG_OHM_PER_CELL = 0.12


def no_continuity(figures: Figures, moments: Moments) -> FlightFinding | None:
    """A channel without continuity although nothing has fired it."""
    figure = figures.get(ContinuityFigure)
    if figure is None or not figure.missing:
        return None
    severity = "warning" if any("recovery" in name for name in figure.missing) else "caution"
    return FlightFinding(
        "no_continuity", severity, f"no continuity: {', '.join(figure.missing)}", known(figure.t),
        "Igniter not connected, broken or too long in the damp. Safe everything and remove the key before touching it.",
        {"missing": list(figure.missing)},
    )  # fmt: skip


def unit_drifts(figures: Figures, moments: Moments) -> FlightFinding | None:
    """An inertial unit whose rates wander at rest, or that stands alone in flight."""
    drift = figures.get(UnitDriftFigure)
    apart: UnitsApartFigure | None = figures.get(GyroUnitsFigure) or figures.get(AccelUnitsFigure)
    figure = drift or apart
    if figure is None:
        return None
    which = f"inertial unit {figure.suspect.upper()}" if figure.suspect in ("a", "b") else "the inertial units"
    word = "disagree" if which.endswith("units") else "disagrees"
    return FlightFinding(
        "unit_disagrees", "warning", f"{which} {word}: {figure.reason}",
        known(figure.t), "Do not fly on that unit until it has been at rest for minutes without wandering.",
        {
            "drift_rad_s2": None if drift is None else drift.drift_rad_s2,
            "sigma_rad_s2": None if drift is None else drift.sigma_rad_s2,
            "distance": apart.distance if drift is None and apart is not None else None,
        },
    )  # fmt: skip


def battery_tired(figures: Figures, moments: Moments) -> FlightFinding | None:
    """Too little left to wait, or a voltage that falls too far under load."""
    figure = figures.get(BatteryFigure)
    if figure is None:
        return None
    reasons = []
    minutes, wanted = known(figure.start_minutes_off), known(figure.minutes_wanted)
    if minutes is not None and wanted is not None and minutes < wanted:
        reasons.append(f"at switch-on it could wait {minutes:.0f} min with the cameras off, {wanted:.0f} wanted")
    sag, cells = known(figure.resistance_ohm), known(figure.cells) or 1.0
    if sag is not None and (known(figure.resistance_low_ohm) or 0.0) > SAG_OHM_PER_CELL * cells:
        reasons.append(f"it sags {sag:.2f} V per ampere")
    if not reasons:
        return None
    return FlightFinding(
        "battery_tired", "warning", f"tired battery: {'; '.join(reasons)}", known(figure.t),
        "Charge or change it; a servo that moves must not brown out the computer.",
        {
            "start_minutes_off": figure.start_minutes_off,
            "resistance_ohm": figure.resistance_ohm,
            "voltage_v": figure.voltage_v,
        },
    )  # fmt: skip
