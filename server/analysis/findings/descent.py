"""Rules about the way down."""

from __future__ import annotations

from math import degrees

from protocol.units import GRAVITY_M_S2
from server.analysis.figures.descent import DescentFigure, DescentStage, OpeningFigure, RecoveryFigure
from server.analysis.figures.figure import Figures
from server.analysis.findings.finding import FlightFinding, Moments, known

LATE_DEPLOYMENT_S = 1.5
# Surely faster than this at the ground is hard: a drop from 7 m. Common practice, no source.
HARD_M_S = 12.0
SURE_SIGMAS = 2.0
# What `LATE_DEPLOYMENT_S` of free fall gathers, over the rate that a parachute then holds: it opened late.
LATE_OVER_M_S = 15.0
# Of the energy of a free fall from the top: a body that its own drag alone would hold at 45 m/s keeps so much while it
# gathers 30. One with less was held back by something, and that its parachute was late does not follow. Our choice.
FREE_SHARE = 0.7
# How far the told top is from the true one, s, 95 % of the ensemble's vehicles (`tests/accuracy`): in the time since then
# nothing falls faster than freely, so a greater speed is a fault of the heights it was taken from.
TOP_DOUBT_S = 0.4
NEAR_GROUND_S = 3.0  # above the ground by its rate, when last heard
CANOPIES, UNSLOWED = ("drogue", "main"), ("ballistic", "tumbling")


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


def opened_early(figures: Figures, moments: Moments) -> FlightFinding | None:
    """Something held it back while it still climbed."""
    figure = figures.get(OpeningFigure)
    if figure is None:
        return None
    return FlightFinding(
        "opened_early", "warning",
        f"something held it back while it still climbed at {figure.climb_m_s:.0f} m/s, {figure.early_s:.1f} s too early",
        known(figure.t),
        "A parachute or a body opened early: look at what was commanded then, and at cords and fabric for what this speed "
        "did to them.",
        {"climb_m_s": figure.climb_m_s, "sigma_m_s": figure.sigma_m_s, "early_s": figure.early_s},
    )  # fmt: skip


def cord_parted(figures: Figures, moments: Moments) -> FlightFinding | None:
    """It suddenly came down slower with nothing left to open: a part of it is gone."""
    figure, recovery = figures.get(DescentFigure), figures.get(RecoveryFigure)
    if figure is None or figure.parted is None:
        return None
    parted, other = figure.parted, None if recovery is None else recovery.other
    where = "below the place where this happened and downwind of it"
    if other is not None:
        toward = round(degrees(other.bearing_rad)) % 360
        where = f"within {other.radius_m:.0f} m (95 %) of {other.distance_m:.0f} m from the pad, bearing {toward:03d} deg"
    return FlightFinding(
        "cord_parted", "warning",
        f"a part was lost at {parted.height_m:.0f} m: the descent went from {parted.before_m_s:.1f} to "
        f"{parted.after_m_s:.1f} m/s at once, as with {parted.share_kept * 100:.0f} % of the weight",
        known(parted.t), f"There are two places to look at: the rest fell {where}.",
        {
            "before_m_s": parted.before_m_s, "after_m_s": parted.after_m_s, "share_kept": parted.share_kept,
            "share_sigma": parted.share_sigma, "radius_m": None if other is None else other.radius_m,
        },
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


def ballistic_descent(figures: Figures, moments: Moments) -> FlightFinding | None:
    """It fell to the ground, or as far as it was heard, as fast as a body that nothing slows."""
    figure = figures.get(DescentFigure)
    if figure is None or not figure.stages or figure.stages[-1].kind != "ballistic":
        return None
    last = figure.stages[-1]
    impact = known(figure.landing_m_s)
    lowest_m = last.from_m - last.rate_m_s * (last.end_t - last.start_t)
    if impact is None and lowest_m > NEAR_GROUND_S * last.rate_m_s:
        return None  # something may open yet, and a finding is not taken back
    heard = f"at {last.rate_m_s:.0f} m/s when last heard" if impact is None else f"it hit the ground at {impact:.0f} m/s"
    return FlightFinding(
        "ballistic_descent", "warning", f"came down ballistic: nothing slowed it; {heard}", known(last.start_t),
        "No parachute worked: look at what fired, when, and whether the bodies parted.",
        {"rate_m_s": last.rate_m_s, "landing_m_s": impact, "energy_j": known(figure.energy_j)},
    )  # fmt: skip


def no_deployment(figures: Figures, moments: Moments) -> FlightFinding | None:
    """It turned about all the way down: no parachute held it."""
    figure = figures.get(DescentFigure)
    if figure is None or known(figure.landing_t) is None:
        return None  # something may open yet, and a finding is not taken back
    if not figure.stages or any(stage.kind != "tumbling" for stage in figure.stages):
        return None
    rate = figure.stages[-1].rate_m_s
    return FlightFinding(
        "no_deployment", "warning", f"came down tumbling at {rate:.0f} m/s: no sign of a parachute", known(figure.t),
        "Its forces turned about all the way down, as under no parachute: look at what fired and what stayed in.",
        {"rate_m_s": rate, "landing_m_s": known(figure.landing_m_s)},
    )  # fmt: skip


def late_opening(figures: Figures, moments: Moments) -> FlightFinding | None:
    """It fell much faster than its first parachute then held: that opened late."""
    figure = figures.get(DescentFigure)
    first = None if figure is None else _first_canopy(figure)
    if figure is None or first is None or "apogee" not in moments:
        return None
    fastest, when = known(figure.fastest_m_s), known(figure.fastest_t)
    if fastest is None or when is None or when > first.start_t:
        return None
    surely_m_s = fastest - SURE_SIGMAS * (known(figure.fastest_sigma_m_s) or 0.0)
    if not surely_m_s > first.rate_m_s + LATE_OVER_M_S:
        return None
    fallen_m = known(figure.fastest_fallen_m)
    held = fallen_m is None or fastest * fastest < FREE_SHARE * 2.0 * GRAVITY_M_S2 * fallen_m
    if held and not any(stage.kind in UNSLOWED and stage.start_t < first.start_t for stage in figure.stages):
        return None
    late_s = when - moments["apogee"][0]
    if fastest > GRAVITY_M_S2 * (late_s + TOP_DOUBT_S):
        return None
    return FlightFinding(
        "opened_late", "warning",
        f"nothing slowed it until {late_s:.0f} s after apogee: it fell at {fastest:.0f} m/s before a parachute held it",
        when, "Look at what the vehicle took for apogee, at the charge and the packing; speed at opening breaks cords.",
        {"fastest_m_s": fastest, "after_apogee_s": late_s, "rate_m_s": first.rate_m_s},
    )  # fmt: skip


def _first_canopy(figure: DescentFigure) -> DescentStage | None:
    return next((stage for stage in figure.stages if stage.kind in CANOPIES), None)


def hard_landing(figures: Figures, moments: Moments) -> FlightFinding | None:
    """It surely met the ground faster than a vehicle stands; a ballistic fall is told as such."""
    figure = figures.get(DescentFigure)
    if figure is None or ballistic_descent(figures, moments) is not None:
        return None
    speed, sigma = known(figure.landing_m_s), known(figure.landing_sigma_m_s)
    if speed is None or sigma is None or not speed - SURE_SIGMAS * sigma > HARD_M_S:
        return None
    energy = known(figure.energy_j)
    joules = "" if energy is None else f", {energy:.0f} J"
    return FlightFinding(
        "hard_landing", "caution", f"hard landing: {speed:.0f} m/s{joules}", known(figure.landing_t),
        "Look for cracks before the next flight; a larger or a second parachute lands it softer.",
        {"landing_m_s": speed, "landing_sigma_m_s": sigma, "energy_j": energy},
    )  # fmt: skip
