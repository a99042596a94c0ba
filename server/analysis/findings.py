"""From figures to sentences: what went wrong or nearly so, what it rests on, and what to look at before the next flight.

`RULES` is the whole list. A rule sees the figures and moments known so far and returns a finding or None; it states only
what the figures carry, with their numbers. Thresholds are common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import degrees

Figures = Mapping[str, Mapping[str, object]]
Moments = Mapping[str, tuple[float, float]]

# Model Rocket Safety Code: launch within 30 degrees of vertical (check_values 9).
LIMIT_TILT_DEG = 30.0
LATE_DEPLOYMENT_S = 1.5
LOSS_SHARE = 0.10
LONG_SILENCE_S = 2.0
SAG_OHM_PER_CELL = 0.12
CORKSCREW_DEG = 5.0
SAME_MOMENT_S = 0.15
MOMENT_WORDS = {
    "lift_off": "it lifted off",
    "burnout": "the motor burned out",
    "control_enabled": "control was enabled",
    "deployment": "deployment was commanded",
    "separation": "the separation switch opened",
    "apogee": "it passed apogee",
}


@dataclass(frozen=True)
class Finding:
    """One sentence about the flight, the timeline second it belongs to, its numbers and what to do about it."""

    key: str
    severity: str
    text: str
    t: float | None
    advice: str
    evidence: Mapping[str, object] = field(default_factory=dict)

    def body(self) -> dict[str, object]:
        """Return what the journal keeps."""
        return {"t": self.t, "advice": self.advice, "evidence": dict(self.evidence)}


def findings(figures: Figures, moments: Moments) -> list[Finding]:
    """Return everything the rules find, in the order of the table."""
    return [found for rule in RULES if (found := rule(figures, moments)) is not None]


def _number(body: Mapping[str, object] | None, name: str) -> float | None:
    value = None if body is None else body.get(name)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) and value == value else None


# ---------------------------------------------------------------- before the flight


def no_continuity(figures: Figures, moments: Moments) -> Finding | None:
    """A channel without continuity although nothing has fired it."""
    body = figures.get("continuity")
    missing = list(body.get("missing", ())) if body else []
    if not missing:
        return None
    words = ", ".join(str(name) for name in missing)
    severity = "warning" if any("recovery" in str(name) for name in missing) else "caution"
    return Finding(
        "no_continuity", severity, f"no continuity: {words}", _number(body, "t"),
        "Igniter not connected, broken or too long in the damp. Safe everything and remove the key before touching it.",
        {"missing": missing},
    )  # fmt: skip


def unit_drifts(figures: Figures, moments: Moments) -> Finding | None:
    """An inertial unit whose rates wander at rest, or that stands alone in flight."""
    bodies = [figures[key] for key in ("units", "units_gyro", "units_accel") if figures.get(key)]
    if not bodies:
        return None
    body = bodies[0]
    which = f"inertial unit {str(body['suspect']).upper()}" if body.get("suspect") in ("a", "b") else "the inertial units"
    word = "disagree" if which.endswith("units") else "disagrees"
    return Finding(
        "unit_disagrees", "warning", f"{which} {word}: {body.get('reason', 'no reason told')}",
        _number(body, "t"), "Do not fly on that unit until it has been at rest for minutes without wandering.",
        {name: body.get(name) for name in ("drift_rad_s2", "sigma_rad_s2", "distance")},
    )  # fmt: skip


def battery_tired(figures: Figures, moments: Moments) -> Finding | None:
    """Too little left to wait, or a voltage that falls too far under load."""
    body = figures.get("battery")
    if body is None:
        return None
    reasons = []
    minutes, wanted = _number(body, "start_minutes_off"), _number(body, "minutes_wanted")
    if minutes is not None and wanted is not None and minutes < wanted:
        reasons.append(f"at switch-on it could wait {minutes:.0f} min with the cameras off, {wanted:.0f} wanted")
    sag, cells = _number(body, "resistance_ohm"), _number(body, "cells") or 1.0
    if sag is not None and (_number(body, "resistance_low_ohm") or 0.0) > SAG_OHM_PER_CELL * cells:
        reasons.append(f"it sags {sag:.2f} V per ampere")
    if not reasons:
        return None
    return Finding(
        "battery_tired", "warning", f"tired battery: {'; '.join(reasons)}", _number(body, "t"),
        "Charge or change it; a servo that moves must not brown out the computer.",
        {name: body.get(name) for name in ("start_minutes_off", "resistance_ohm", "voltage_v")},
    )  # fmt: skip


# ---------------------------------------------------------------- the way up


def pitched_over(figures: Figures, moments: Moments) -> Finding | None:
    """More than the safety code's 30 degrees from vertical soon after the rail."""
    body = figures.get("lean")
    tilt = _number(body, "greatest_tilt_rad")
    if tilt is None or degrees(tilt) <= LIMIT_TILT_DEG:
        return None
    rail = figures.get("rail_exit")
    speed, attack = _number(rail, "speed_m_s"), _number(rail, "angle_of_attack_rad")
    why = "" if speed is None else f"; it left the rail at {speed:.1f} m/s"
    if attack is not None and rail is not None:
        why += f", {degrees(attack):.0f} degrees to the air with {rail.get('wind_m_s', 0.0):.1f} m/s of wind"
    toward = _number(body, "azimuth_rad")
    lean = "" if toward is None else f" toward {degrees(toward):.0f} degrees"
    return Finding(
        "pitched_over", "warning", f"leaned {degrees(tilt):.0f} degrees{lean} while it should fly straight{why}",
        _number(body, "t"),
        "Less wind, a longer rail, more thrust for the weight, or less static margin.",
        {"greatest_tilt_rad": tilt, "speed_m_s": speed, "angle_of_attack_rad": attack},
    )  # fmt: skip


def swings_slowly(figures: Figures, moments: Moments) -> Finding | None:
    """A swing whose period surely differs from the one the sheet lets expect."""
    body = figures.get("swing")
    low, high = _number(body, "ratio_low"), _number(body, "ratio_high")
    if body is None or not body.get("excited") or low is None or high is None:
        return None
    if low <= 1.25 and high >= 0.8:
        return None
    period, expected = _number(body, "period_s"), _number(body, "expected_period_s")
    return Finding(
        "swing_period", "caution",
        f"it swings with {period:.2f} s where the sheet lets expect {expected:.2f} s",
        _number(body, "t"),
        "Look at the center of gravity: a slower swing means less static margin than the sheet says, a faster one more.",
        {"ratio": _number(body, "ratio"), "ratio_low": low, "ratio_high": high},
    )  # fmt: skip


def corkscrew(figures: Figures, moments: Moments) -> Finding | None:
    """The nose drew a cone on the way up."""
    body = figures.get("cone")
    angle, turns = _number(body, "half_angle_rad"), _number(body, "turns_per_s")
    if angle is None or turns is None or degrees(angle) < CORKSCREW_DEG:
        return None
    sense = ("counterclockwise" if turns > 0 else "clockwise") + " from above"
    return Finding(
        "corkscrew", "caution",
        f"corkscrew: the nose drew a cone of {degrees(angle):.0f} degrees half-angle, {abs(turns):.1f} turns/s, {sense}",
        _number(body, "t"), "Roll and pitch periods that meet, a bent fin or an off-axis weight make a corkscrew.",
        {"half_angle_rad": angle, "turns_per_s": turns},
    )  # fmt: skip


# ---------------------------------------------------------------- control and state


def control_untested(figures: Figures, moments: Moments) -> Finding | None:
    """Control came on too late, or never: the flight was no test of it."""
    body = figures.get("gate")
    if body is None or body.get("verdict") not in ("never enabled", "no test of control"):
        return None
    enabled = _number(body, "enabled_s") or 0.0
    if body["verdict"] == "never enabled":
        text = "control was never enabled: this flight was no test of it"
    else:
        text = f"control was enabled for {enabled * 1000:.0f} ms before deployment: this flight was no test of it"
    needed = body.get("needed")
    return Finding(
        "control_untested", "caution", f"{text}{'; ' + str(needed) if needed else ''}", _number(body, "t"),
        "Lower the gate or fly higher and faster; do not tune gains on this flight.",
        {name: body.get(name) for name in ("enabled_s", "altitude_met_t", "speed_met_t", "gate_for_a_second_m")},
    )  # fmt: skip


def bad_number(figures: Figures, moments: Moments) -> Finding | None:
    """The state vector held something that is not a number."""
    body = figures.get("nonfinite")
    if body is None:
        return None
    frames = int(_number(body, "frames") or 0)
    text = f"state vector not finite in {frames} frame{'s' if frames != 1 else ''}: {body.get('components', '')}"
    also = _at_that_moment(_number(body, "t"), moments)
    return Finding(
        "bad_number", "warning", text + also, _number(body, "t"),
        "Find the division or root that made it before the next flight, and make the firmware refuse such a state.",
        {name: body.get(name) for name in ("frames", "components")},
    )  # fmt: skip


def _at_that_moment(t: float | None, moments: Moments) -> str:
    """Return what else happened within `SAME_MOMENT_S` of a time: flags come at their own rate, a little later."""
    if t is None:
        return ""
    near = [name for name, (when, _) in moments.items() if abs(when - t) <= SAME_MOMENT_S and name in MOMENT_WORDS]
    return "".join(f"; {MOMENT_WORDS[name]} in the same moment" for name in near)


def servo_cable_open(figures: Figures, moments: Moments) -> Finding | None:
    """The servo connector opened before the bodies parted, or was never closed when it lifted off."""
    body = figures.get("servo_cable")
    t = _number(body, "t")
    if body is None or t is None or body.get("kind") not in ("before deployment", "before lift-off"):
        return None
    released = [moments[name][0] for name in ("deployment", "separation") if name in moments and moments[name][0] >= t]
    height = _number(body, "height_m")
    when = f"{min(released) - t:.1f} s before deployment" if released else "in flight, before any deployment"
    if body["kind"] == "before lift-off":
        when = "since before lift-off"
    elif height is not None:
        when = f"at {height:.0f} m, {when}"
    enabled = moments.get("control_enabled", (None, 0.0))[0]
    control = ""
    if body.get("control_on"):
        control = "; control was enabled, and was without fins from then on"
    elif enabled is not None and enabled >= t:
        control = f"; control was enabled {enabled - t:.1f} s later, without fins"
    return Finding(
        "servo_cable", "warning",
        f"servo connector open {when}: {body.get('cause', '')}{control}{_at_that_moment(t, moments)}", t,
        "Push the connector home and hold it with something that only the parting bodies can pull; tug at it before each "
        "flight. This flight says nothing about control from then on.",
        {"height_m": height, "control_on": body.get("control_on"), "kind": body["kind"]},
    )  # fmt: skip


def state_doubtful(figures: Figures, moments: Moments) -> Finding | None:
    """The state vector stood still, jumped, left its bounds or parted from the ground's own estimate."""
    body = figures.get("state_vector")
    if body is None or not body.get("kinds"):
        return None
    return Finding(
        "state_doubtful", "warning", f"state vector in doubt: {body.get('sentence', '')}", _number(body, "t"),
        "Compare the onboard log's inputs of that moment with what the estimator made of them.",
        {"kinds": body.get("kinds")},
    )  # fmt: skip


def saturated(figures: Figures, moments: Moments) -> Finding | None:
    """A sensor at the end of its range in flight."""
    body = figures.get("saturated")
    channels = [str(name) for name in body.get("channels", ())] if body else []
    if not channels:
        return None
    gyro = any("gyro" in name for name in channels)
    after = "; attitude after that is not to be believed" if gyro else ""
    return Finding(
        "saturated", "caution", f"sensor at the end of its range: {', '.join(channels)}{after}", _number(body, "t"),
        "Find out why it moved that hard, or fit a sensor with a wider range.", {"channels": channels},
    )  # fmt: skip


def phases_differ(figures: Figures, moments: Moments) -> Finding | None:
    """The vehicle said another phase than the ground saw, for longer than the radio explains."""
    body = figures.get("phase_disagreement")
    if body is None:
        return None
    return Finding(
        "phases_differ", "warning", f"the vehicle said {body.get('vehicle')} while the ground saw {body.get('ground')}",
        _number(body, "t"), "Look at what the vehicle's phase detection was fed with before trusting its deployment.",
        dict(body),
    )  # fmt: skip


def roll_reversed(figures: Figures, moments: Moments) -> Finding | None:
    """The fins rolled the vehicle the other way than asked, or hardly at all."""
    body = figures.get("roll")
    if body is None or body.get("verdict") not in ("reversed", "weak"):
        return None
    value, low, high = (_number(body, name) for name in ("authority_per_pa_rad", "low", "high"))
    reversed_ = body["verdict"] == "reversed"
    text = "roll authority is reversed: deflection drove the roll it should stop" if reversed_ else "roll authority is weak"
    advice = (
        "Check fin numbering, servo direction and the sign of the roll gain with a bench sweep. Do not fly active control."
        if reversed_
        else "Larger fins or more travel; the gains assume more than the fins give."
    )
    return Finding(
        "roll_reversed" if reversed_ else "roll_weak", "warning" if reversed_ else "caution",
        f"{text} ({value:+.2f} rad/s2 per Pa and rad, 95 % {low:+.2f} to {high:+.2f})", _number(body, "t"), advice,
        {"authority_per_pa_rad": value, "low": low, "high": high},
    )  # fmt: skip


# ---------------------------------------------------------------- the way down, the link


def late_deployment(figures: Figures, moments: Moments) -> Finding | None:
    """Deployment surely late or early against apogee."""
    body = figures.get("recovery")
    delay = _number(body, "deployment_delay_s")
    if delay is None or abs(delay) <= LATE_DEPLOYMENT_S:
        return None
    word = "after" if delay > 0 else "before"
    return Finding(
        "deployment_time", "warning", f"deployment {abs(delay):.1f} s {word} apogee", _number(body, "deployment_t"),
        "Speed at deployment breaks cords; look at what the vehicle took for apogee.", {"deployment_delay_s": delay},
    )  # fmt: skip


def fast_descent(figures: Figures, moments: Moments) -> Finding | None:
    """Descent too fast for both parachutes."""
    body = figures.get("descent")
    if body is None or body.get("under") not in ("one", "none"):
        return None
    rate, expected = _number(body, "rate_m_s"), _number(body, "expected_both_m_s")
    under = "one parachute" if body["under"] == "one" else "no parachute"
    return Finding(
        "fast_descent", "warning", f"came down under {under}: {rate:.1f} m/s where both give {expected:.1f} m/s",
        _number(body, "t"), "Look for the parachute that stayed in: packing, protection, charge, tangled lines.",
        {"rate_m_s": rate, "expected_both_m_s": expected, "energy_j": body.get("energy_j")},
    )  # fmt: skip


def thin_link(figures: Figures, moments: Moments) -> Finding | None:
    """Much of the flight was not heard."""
    body = figures.get("link")
    loss, silence = _number(body, "flight_loss"), _number(body, "longest_silence_s")
    reasons = []
    if loss is not None and loss > LOSS_SHARE:
        reasons.append(f"{loss * 100:.0f} % of the packets lost in flight")
    if silence is not None and silence > LONG_SILENCE_S:
        reasons.append(f"nothing heard for {silence:.1f} s")
    if not reasons:
        return None
    return Finding(
        "thin_link", "caution", f"thin link: {', '.join(reasons)}", _number(body, "t"),
        "Antenna on the vehicle and its direction, ground station's place, power; fewer bytes per second also help.",
        {name: body.get(name) for name in ("flight_loss", "mean_burst", "longest_silence_s", "range_left_m")},
    )  # fmt: skip


RULES: tuple[Callable[[Figures, Moments], Finding | None], ...] = (
    no_continuity,
    unit_drifts,
    battery_tired,
    pitched_over,
    swings_slowly,
    corkscrew,
    control_untested,
    bad_number,
    servo_cable_open,
    state_doubtful,
    saturated,
    phases_differ,
    roll_reversed,
    late_deployment,
    fast_descent,
    thin_link,
)
