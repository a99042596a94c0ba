"""Rules about the downlink."""

from __future__ import annotations

from server.analysis.figures.figure import Figures
from server.analysis.figures.link import LinkFigure
from server.analysis.findings.finding import FlightFinding, Moments, known

LOSS_SHARE = 0.10
LONG_SILENCE_S = 2.0


def thin_link(figures: Figures, moments: Moments) -> FlightFinding | None:
    """Much of the flight was not heard."""
    figure = figures.get(LinkFigure)
    if figure is None:
        return None
    reasons = []
    if figure.flight_loss > LOSS_SHARE:
        reasons.append(f"{figure.flight_loss * 100:.0f} % of the packets lost in flight")
    if figure.longest_silence_s > LONG_SILENCE_S:
        reasons.append(f"nothing heard for {figure.longest_silence_s:.1f} s")
    if not reasons:
        return None
    return FlightFinding(
        "thin_link", "caution", f"thin link: {', '.join(reasons)}", known(figure.t),
        "Antenna on the vehicle and its direction, ground station's place, power; fewer bytes per second also help.",
        {
            "flight_loss": figure.flight_loss,
            "mean_burst": figure.mean_burst,
            "longest_silence_s": figure.longest_silence_s,
            "range_left_m": None if figure.reach is None else figure.reach.range_left_m,
        },
    )  # fmt: skip
