"""Rules about the way up."""

from __future__ import annotations

from math import degrees

from server.analysis.figures.ascent import ConeFigure, LeanFigure, RailExitFigure, SwingFigure
from server.analysis.figures.figure import Figures
from server.analysis.findings.finding import FlightFinding, Moments, known

# Model Rocket Safety Code: launch within 30 degrees of vertical (tests/SOURCES.md, launch-angle).
LIMIT_TILT_DEG = 30.0
CORKSCREW_DEG = 5.0
# Measured over expected period, 95 % interval beyond these.
SLOW_RATIO, FAST_RATIO = 1.25, 0.8


def pitched_over(figures: Figures, moments: Moments) -> FlightFinding | None:
    """More than the safety code's 30 degrees from vertical soon after the rail."""
    figure = figures.get(LeanFigure)
    if figure is None or not degrees(figure.greatest_tilt_rad) > LIMIT_TILT_DEG:
        return None
    rail = figures.get(RailExitFigure)
    speed = None if rail is None else known(rail.speed_m_s)
    attack = None if rail is None else known(rail.angle_of_attack_rad)
    why = "" if speed is None else f"; it left the rail at {speed:.1f} m/s"
    if attack is not None and rail is not None:
        wind = f"the wind {rail.wind_source}" if rail.wind_source else f"{rail.wind_m_s or 0.0:.1f} m/s of wind"
        why += f", {degrees(attack):.0f} degrees to the air with {wind}"
    toward = known(figure.azimuth_rad)
    lean = "" if toward is None else f" toward {degrees(toward):.0f} degrees"
    tilt = figure.greatest_tilt_rad
    return FlightFinding(
        "pitched_over", "warning", f"leaned {degrees(tilt):.0f} degrees{lean} while it should fly straight{why}",
        known(figure.t),
        _against_the_wind(figures),
        {"greatest_tilt_rad": tilt, "speed_m_s": speed, "angle_of_attack_rad": attack},
    )  # fmt: skip


def _against_the_wind(figures: Figures) -> str:
    """Return what helps; less static margin only for a vehicle whose swing shows that it had some."""
    swing = figures.get(SwingFigure)
    if swing is not None and swing.excited and swing.measured is not None:
        return (
            "It swung back, so it was stable: less wind, a longer rail, more thrust for the weight, or less static margin."
        )
    return (
        "Less wind, a longer rail, more thrust for the weight. No swing was measured, so this flight does not show that it "
        "was stable: check the static margin before anything else."
    )


def swings_slowly(figures: Figures, moments: Moments) -> FlightFinding | None:
    """A swing whose period surely differs from the one the sheet lets expect."""
    figure = figures.get(SwingFigure)
    if figure is None or not figure.excited or figure.measured is None or figure.expected is None:
        return None
    expected = figure.expected
    low, high = known(expected.ratio_low), known(expected.ratio_high)
    if low is None or high is None or (low <= SLOW_RATIO and high >= FAST_RATIO):
        return None
    return FlightFinding(
        "swing_period", "caution",
        f"it swings with {figure.measured.period_s:.2f} s where the sheet lets expect {expected.expected_period_s:.2f} s",
        known(figure.t),
        "Look at the center of gravity: a slower swing means less static margin than the sheet says, a faster one more.",
        {"ratio": known(expected.ratio), "ratio_low": low, "ratio_high": high},
    )  # fmt: skip


def corkscrew(figures: Figures, moments: Moments) -> FlightFinding | None:
    """The nose drew a cone on the way up."""
    figure = figures.get(ConeFigure)
    if figure is None or not degrees(figure.half_angle_rad) >= CORKSCREW_DEG:
        return None
    angle, turns = figure.half_angle_rad, figure.turns_per_s
    sense = ("counterclockwise" if turns > 0 else "clockwise") + " from above"
    return FlightFinding(
        "corkscrew", "caution",
        f"corkscrew: the nose drew a cone of {degrees(angle):.0f} degrees half-angle, {abs(turns):.1f} turns/s, {sense}",
        known(figure.t), "Roll and pitch periods that meet, a bent fin or an off-axis weight make a corkscrew.",
        {"half_angle_rad": angle, "turns_per_s": turns},
    )  # fmt: skip
