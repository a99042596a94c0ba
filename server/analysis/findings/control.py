"""Rules about control and about what it rests on: the state vector, the servo cable, the sensors."""

from __future__ import annotations

from server.analysis.figures.control import (
    ClippedFigure,
    GateFigure,
    GuardFigure,
    NonfiniteFigure,
    PhaseDisagreementFigure,
    RollFigure,
    SaturatedFigure,
    ServoCableFigure,
    StateVectorFigure,
)
from server.analysis.figures.figure import Figures
from server.analysis.findings.finding import FlightFinding, Moments, at_that_moment, known


def control_untested(figures: Figures, moments: Moments) -> FlightFinding | None:
    """Control came on too late, or never: the flight was no test of it."""
    figure = figures.get(GateFigure)
    if figure is None or figure.verdict not in ("never enabled", "no test of control"):
        return None
    flags = figure.flags
    enabled_s = None if flags is None else flags.enabled_s
    if figure.verdict == "never enabled":
        text = "control was never enabled: this flight was no test of it"
    else:
        held_ms = (known(enabled_s) or 0.0) * 1000
        text = f"control was enabled for {held_ms:.0f} ms before deployment: this flight was no test of it"
    return FlightFinding(
        "control_untested", "caution", f"{text}{'; ' + figure.needed if figure.needed else ''}", known(figure.t),
        "Lower the gate or fly higher and faster; do not tune gains on this flight.",
        {
            "enabled_s": enabled_s,
            "altitude_met_t": None if flags is None else flags.altitude_met_t,
            "speed_met_t": None if flags is None else flags.speed_met_t,
            "gate_for_a_second_m": figure.gate_for_a_second_m,
        },
    )  # fmt: skip


def bad_number(figures: Figures, moments: Moments) -> FlightFinding | None:
    """The state vector held something that is not a number."""
    figure = figures.get(NonfiniteFigure)
    if figure is None:
        return None
    text = f"state vector not finite in {figure.frames} frame{'s' if figure.frames != 1 else ''}: {figure.components}"
    also = at_that_moment(known(figure.t), moments)
    return FlightFinding(
        "bad_number", "warning", text + also, known(figure.t),
        "Find the division or root that made it before the next flight, and make the firmware refuse such a state.",
        {"frames": figure.frames, "components": figure.components},
    )  # fmt: skip


def guard_acted(figures: Figures, moments: Moments) -> FlightFinding | None:
    """The firmware's own guard fell back to the last valid state, mostly for too short to be seen in telemetry."""
    figure = figures.get(GuardFigure)
    if figure is None:
        return None
    return FlightFinding(
        "guard_acted", "warning", figure.sentence, known(figure.t),
        "Find in the onboard log what the estimator was given then; what it flew on meanwhile was held, not measured.",
        {"count": figure.count, "component": figure.component, "first_time_s": figure.first_time_s},
    )  # fmt: skip


def servo_cable_open(figures: Figures, moments: Moments) -> FlightFinding | None:
    """The servo connector opened before the bodies parted, or was never closed when it lifted off."""
    figure = figures.get(ServoCableFigure)
    t = None if figure is None else known(figure.t)
    if figure is None or t is None or not figure.is_early:
        return None
    released = [moments[name][0] for name in ("deployment", "separation") if name in moments and moments[name][0] >= t]
    height = known(figure.height_m)
    when = f"{min(released) - t:.1f} s before deployment" if released else "in flight, before any deployment"
    if figure.kind == "before lift-off":
        when = "since before lift-off"
    elif height is not None:
        when = f"at {height:.0f} m, {when}"
    enabled = moments["control_enabled"][0] if "control_enabled" in moments else None
    control = ""
    if figure.control_on:
        control = "; control was enabled, and was without fins from then on"
    elif enabled is not None and enabled >= t:
        control = f"; control was enabled {enabled - t:.1f} s later, without fins"
    return FlightFinding(
        "servo_cable", "warning",
        f"servo connector open {when}: {figure.cause or ''}{control}{at_that_moment(t, moments)}", t,
        "Push the connector home and hold it with something that only the parting bodies can pull; tug at it before each "
        "flight. This flight says nothing about control from then on.",
        {"height_m": height, "control_on": figure.control_on, "kind": figure.kind},
    )  # fmt: skip


def state_doubtful(figures: Figures, moments: Moments) -> FlightFinding | None:
    """The state vector stood still, jumped, left its bounds or parted from the ground's own estimate."""
    figure = figures.get(StateVectorFigure)
    if figure is None or not figure.kinds:
        return None
    return FlightFinding(
        "state_doubtful", "warning", f"state vector in doubt: {figure.sentence}", known(figure.t),
        "Compare the onboard log's inputs of that moment with what the estimator made of them.",
        {"kinds": list(figure.kinds)},
    )  # fmt: skip


def saturated(figures: Figures, moments: Moments) -> FlightFinding | None:
    """A sensor at the end of its range in flight."""
    figure = figures.get(SaturatedFigure)
    if figure is None or not figure.channels:
        return None
    channels = list(figure.channels)
    gyro = any("gyro" in name for name in channels)
    after = "; attitude after that is not to be believed" if gyro else ""
    return FlightFinding(
        "saturated", "caution", f"sensor at the end of its range: {', '.join(channels)}{after}", known(figure.t),
        "Find out why it moved that hard, or fit a sensor with a wider range.", {"channels": channels},
    )  # fmt: skip


def clipped(figures: Figures, moments: Moments) -> FlightFinding | None:
    """A sensor without a declared range stood still at its greatest value."""
    figure = figures.get(ClippedFigure)
    if figure is None or not figure.sensors:
        return None
    words = [
        f"{one.role} stood still at {one.value:.4g} {'m/s2' if one.role.startswith('accel') else 'rad/s'}"
        f" for {one.seconds:.2f} s"
        for one in figure.sensors
    ]
    return FlightFinding(
        "clipped", "caution", f"a sensor was at the end of its range: {', '.join(words)}", known(figure.t),
        "What is integrated from it is wrong there. Tell its sensor_range in the dictionary, or fit one with a wider range.",
        {"roles": [one.role for one in figure.sensors], "values": [one.value for one in figure.sensors]},
    )  # fmt: skip


def phases_differ(figures: Figures, moments: Moments) -> FlightFinding | None:
    """The vehicle said another phase than the ground saw, for longer than the radio explains."""
    figure = figures.get(PhaseDisagreementFigure)
    if figure is None:
        return None
    return FlightFinding(
        "phases_differ", "warning", f"the vehicle said {figure.vehicle} while the ground saw {figure.ground}",
        known(figure.t), "Look at what the vehicle's phase detection was fed with before trusting its deployment.",
        figure.body(),
    )  # fmt: skip


def roll_reversed(figures: Figures, moments: Moments) -> FlightFinding | None:
    """The fins rolled the vehicle the other way than asked, or hardly at all."""
    figure = figures.get(RollFigure)
    if figure is None or figure.verdict not in ("reversed", "weak"):
        return None
    value, low, high = figure.authority_per_pa_rad, figure.low, figure.high
    if value is None or low is None or high is None:
        return None
    reversed_ = figure.verdict == "reversed"
    text = "roll authority is reversed: deflection drove the roll it should stop" if reversed_ else "roll authority is weak"
    advice = (
        "Check fin numbering, servo direction and the sign of the roll gain with a bench sweep. Do not fly active control."
        if reversed_
        else "Larger fins or more travel; the gains assume more than the fins give."
    )
    return FlightFinding(
        "roll_reversed" if reversed_ else "roll_weak", "warning" if reversed_ else "caution",
        f"{text} ({value:+.2f} rad/s2 per Pa and rad, 95 % {low:+.2f} to {high:+.2f})", known(figure.t), advice,
        {"authority_per_pa_rad": value, "low": low, "high": high},
    )  # fmt: skip
