"""Rules about the time before the flight."""

from __future__ import annotations

from protocol.units import GRAVITY_M_S2
from server.analysis.figures.figure import Figures
from server.analysis.figures.pad import (
    AccelUnitsFigure,
    BatteryFigure,
    ContinuityFigure,
    GyroUnitsFigure,
    PadSensorsFigure,
    UnitDriftFigure,
    UnitsApartFigure,
)
from server.analysis.findings.finding import FlightFinding, Moments, known

SAG_OHM_PER_CELL = 0.12
# At rest from gravity: 50 mg is an ordinary zero-g offset of an uncalibrated part; common practice, no source.
BIASED_M_S2 = 0.5
# The barometer over the sheet's air; without a sheet over 313 K (40 degC), which air in the shade seldom is. Common
# practice, no source.
WARM_K, WARM_WITHOUT_SHEET_K = 8.0, 313.15
ZERO_CELSIUS_K = 273.15


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


def accelerometer_biased(figures: Figures, moments: Moments) -> FlightFinding | None:
    """A unit that at rest measured something else than gravity."""
    figure = figures.get(PadSensorsFigure)
    if figure is None:
        return None
    off = {}
    for unit, told in (("A", known(figure.force_a_m_s2)), ("B", known(figure.force_b_m_s2))):
        if told is not None and abs(told - GRAVITY_M_S2) > BIASED_M_S2:
            off[unit] = told
    if not off:
        return None
    said = " and ".join(f"unit {unit} measured {told:.2f} m/s2" for unit, told in off.items())
    return FlightFinding(
        "accelerometer_biased", "caution", f"at rest before lift-off {said} where gravity is {GRAVITY_M_S2:.2f}",
        known(figure.t), "Calibrate it; drag and all that is integrated from its force carry the same error where it is not "
        "taken off.",
        {"force_a_m_s2": figure.force_a_m_s2, "force_b_m_s2": figure.force_b_m_s2},
    )  # fmt: skip


def barometer_warm(figures: Figures, moments: Moments) -> FlightFinding | None:
    """A barometer much warmer than the air: its temperature says nothing about the air's."""
    figure = figures.get(PadSensorsFigure)
    warm, air = (None, None) if figure is None else (known(figure.barometer_k), known(figure.air_k))
    if figure is None or warm is None or not warm > (WARM_WITHOUT_SHEET_K if air is None else air + WARM_K):
        return None
    than = "than air usually is" if air is None else f"than the air by the sheet, {air - ZERO_CELSIUS_K:.0f} degC"
    return FlightFinding(
        "barometer_warm", "caution", f"the barometer was at {warm - ZERO_CELSIUS_K:.0f} degC on the pad, warmer {than}",
        known(figure.t), "A board warms itself or stands in the sun, so no height here rests on its temperature; firmware "
        "that takes it for the air's stretches every height by 0.35 % per kelvin. Give the air's in the site's sheet.",
        {"barometer_k": warm, "air_k": air},
    )  # fmt: skip
