"""A flight's figures as sentences for a person, each "" where it is not known."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import degrees, isfinite

from server.flight.units import DEGREE, Units, number
from server.review.summary_shape import Summary

Body = Mapping[str, object]
NOBODY: Body = {}


def real(body: Body, key: str) -> float | None:
    """Return a number of a figure; a recording may hold anything there."""
    value = body.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value) else None


def _words(body: Body, key: str) -> str:
    value = body.get(key)
    return value if isinstance(value, str) else ""


def _figure(summary: Summary, key: str) -> Body:
    return summary["figures"].get(key, NOBODY)


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)


def away(recovery: Body, units: Units) -> str:
    """Return how far from the pad, in which direction and within what it lies, "" where nobody knows."""
    distance, bearing, radius = (real(recovery, f"whereabouts_{name}") for name in ("distance_m", "bearing_deg", "radius_m"))
    if distance is None:
        return ""
    toward = "" if bearing is None else f" at {round(bearing) % 360:03d}{DEGREE}"
    within = "" if radius is None else f", within {units.meters(radius)}"
    return f"{units.meters(distance)} from the pad{toward}{within}"


def _top(summary: Summary, units: Units) -> str:
    if summary["apogee"] is None:
        return ""
    body = _figure(summary, "apogee")
    air, kelvin = _words(body, "air_from"), real(body, "air_k")
    rests = (
        f"by the air of the {air}" + (f", {number(kelvin - 273.15, 0)} {DEGREE}C" if kelvin is not None else "")
        if air
        else ""
    )
    return _joined(
        units.meters_doubted(summary["apogee"]["height_m"], body.get("sigma_m")), rests, _computed(summary, units)
    )


def _computed(summary: Summary, units: Units) -> str:
    known: Body = summary
    planned = known.get("next_flight")
    now = planned.get("as_it_is") if isinstance(planned, Mapping) else None
    apogee = real(now, "apogee_m") if isinstance(now, Mapping) else None
    return "" if apogee is None else f"its sheet and this drag give {units.meters(apogee)}"


def _speed(summary: Summary, units: Units) -> str:
    body = _figure(summary, "greatest_speed")
    fastest = real(body, "speed_m_s")
    if fastest is not None:
        told = f"{units.speed_doubted(fastest, body.get('sigma_m_s'))} at most, by the {_words(body, 'source')}"
    else:
        told = (
            "" if summary["greatest_speed_m_s"] is None else f"{units.meters_per_s(summary['greatest_speed_m_s'])} at most"
        )
    climb = summary["greatest_climb_m_s"]
    return _joined(told, "" if climb is None else f"climbing {units.meters_per_s(climb)}")


def _rail(summary: Summary, units: Units) -> str:
    body = _figure(summary, "rail_exit")
    angle, wind = real(body, "angle_of_attack_rad"), real(body, "wind_m_s")
    if angle is None or wind is None:
        return ""
    return f"{number(degrees(angle), 0)}{DEGREE} to the air at the rail's end, in {units.meters_per_s(wind)} of wind"


def _lean(summary: Summary, units: Units) -> str:
    body = _figure(summary, "lean")
    lean, toward = real(body, "greatest_tilt_rad"), real(body, "azimuth_rad")
    side = "" if toward is None else f" toward {round(degrees(toward)) % 360:03d}{DEGREE}"
    told = "" if lean is None else f"{number(degrees(lean), 0)}{DEGREE}{side} at most while it should fly straight"
    tilt = summary["greatest_tilt_deg"]
    return _joined(told, "" if tilt is None else f"{number(tilt, 0)}{DEGREE} until apogee")


def _swing(summary: Summary, units: Units) -> str:
    body = _figure(summary, "swing")
    if body.get("excited") is not True:
        return _words(body, "reason")
    period, speed, expected = (real(body, key) for key in ("period_s", "speed_m_s", "expected_period_s"))
    if period is None or speed is None:
        return ""
    sheet = "" if expected is None else f"; the sheet expects {number(expected, 2)} s"
    return f"one in {number(period, 2)} s at {units.meters_per_s(speed, 0)}{sheet}"


def _cone(summary: Summary, units: Units) -> str:
    body = _figure(summary, "cone")
    half, turns = real(body, "half_angle_rad"), real(body, "turns_per_s")
    if half is None or turns is None:
        return ""
    way = "counterclockwise" if turns > 0 else "clockwise"
    return f"{number(degrees(half), 0)}{DEGREE} from its axis, {number(abs(turns), 1)} turns a second {way} from above"


def _control(summary: Summary, units: Units) -> str:
    return _joined(*(units.said(_words(_figure(summary, key), "reason_text")) for key in ("gate", "roll")))


def _servo(summary: Summary, units: Units) -> str:
    return units.said(_words(_figure(summary, "servo_cable"), "sentence"))


def _state(summary: Summary, units: Units) -> str:
    frames = summary["nonfinite_frames"]
    broken = f"{frames} packet{'s' if frames > 1 else ''} held a value that is no number" if frames else ""
    guard = real(_figure(summary, "guard"), "count")
    fell = f"the firmware fell back to its last valid state {number(guard, 0)} times" if guard else ""
    return _joined(broken, fell, units.said(_words(_figure(summary, "state_vector"), "sentence")))


def _opening(summary: Summary, units: Units) -> str:
    recovery, opening = _figure(summary, "recovery"), _figure(summary, "opening")
    parts = []
    for key, words in (("deployment", "deployment"), ("separation", "the bodies parted")):
        delay = real(recovery, f"{key}_delay_s")
        if delay is not None:
            parts.append(f"{words} {number(abs(delay), 2)} s {'before' if delay < -0.005 else 'after'} apogee")
    climb = real(opening, "climb_m_s")
    return _joined(*parts, "" if climb is None else f"opened while it still climbed at {units.meters_per_s(climb)}")


def _descent(summary: Summary, units: Units) -> str:
    body = _figure(summary, "descent")
    stages = body.get("stages")
    parts = []
    for stage in stages if isinstance(stages, Sequence) and not isinstance(stages, str) else ():
        if isinstance(stage, Mapping) and (rate := real(stage, "rate_m_s")) is not None:
            start = real(stage, "from_m")
            begun = "" if start is None else f" from {units.meters(start)}"
            parts.append(f"{_words(stage, 'kind')} {units.speed_doubted(rate, stage.get('sigma_m_s'))}{begun}")
    under, expected = _words(body, "under"), real(body, "expected_both_m_s")
    hangs = f"it hung under {under}" if parts and under else ""
    sheet = f"the sheet expects {units.meters_per_s(expected)} under both" if parts and expected is not None else ""
    return _joined(", ".join(parts), hangs, sheet)


def _touchdown(summary: Summary, units: Units) -> str:
    body = _figure(summary, "descent")
    speed, energy = real(body, "landing_m_s"), real(body, "energy_j")
    if speed is None:
        return ""
    worth = "" if energy is None else f", {number(energy, 0)} J"
    return f"{units.speed_doubted(speed, body.get('landing_sigma_m_s'))} at the ground{worth}"


def _wind(summary: Summary, units: Units) -> str:
    body = _figure(summary, "recovery")
    wind, toward = real(body, "wind_10_m_m_s"), real(body, "drift_toward_rad")
    if wind is None or toward is None:
        return ""
    way = f"{units.meters_per_s(wind)} toward {round(degrees(toward)) % 360:03d}{DEGREE}"
    return f"{way} at {units.meters(10.0)} above the ground, by its drift under canopy"


def _where(summary: Summary, units: Units) -> str:
    body = _figure(summary, "recovery")
    far, text = away(body, units), summary.get("whereabouts", "")
    if not far:
        return units.said(text)
    _, colon, how = text.partition("): ")
    return f"{far} (95 %): {units.said(how)}" if colon else far


def _last_heard(summary: Summary, units: Units) -> str:
    return units.said(summary.get("last_heard", ""))


def _link(summary: Summary, units: Units) -> str:
    body, lost = _figure(summary, "link"), summary["lost"]
    packets = sum(summary["packets"].values())
    share = f" ({number(100.0 * lost / (packets + lost), 1)} %)" if packets + lost else ""
    parts = [f"{lost} of {packets + lost} packets lost{share}" if packets else "no packet was heard"]
    margin, distance = real(body, "margin_db"), real(body, "greatest_distance_m")
    if margin is not None and distance is not None:
        parts.append(f"{number(margin, 0)} dB to spare at {units.meters(distance)}")
    for count, one, many in (
        (summary["damaged"], "frame damaged", "frames damaged"),
        (summary["repeated"], "packet repeated", "packets repeated"),
        (summary["restarts"], "restart of the vehicle", "restarts of the vehicle"),
    ):
        if count:
            parts.append(f"{count} {one if count == 1 else many}")
    return _joined(*parts)


def _battery(summary: Summary, units: Units) -> str:
    body = _figure(summary, "battery")
    volts, without, cameras = (real(body, key) for key in ("voltage_v", "minutes_cameras_off", "minutes_cameras_on"))
    parts = [] if volts is None else [f"{number(volts, 2)} V"]
    if without is not None:
        lit = "" if cameras is None else f", {number(cameras, 0)} min with them on"
        parts.append(f"{number(without, 0)} min left with the cameras off{lit}")
    return _joined(*parts)


def _margin(summary: Summary, units: Units) -> str:
    known: Body = summary
    told = known.get("configuration")
    states = [told.get(name) for name in ("liftoff", "burnout")] if isinstance(told, Mapping) else []
    margins = [real(state, "margin_calibers") for state in states if isinstance(state, Mapping)]
    if len(margins) < 2 or margins[0] is None or margins[1] is None:
        return ""
    return f"{number(margins[0], 1)} calibers at lift-off, {number(margins[1], 1)} burned out, by the sheet"


def _drag(summary: Summary, units: Units) -> str:
    coefficient = real(_figure(summary, "drag"), "coefficient")
    return "" if coefficient is None else f"coefficient {number(coefficient, 2)}, measured in the coast"


Fact = Callable[[Summary, Units], str]
FACTS: tuple[tuple[str, Fact], ...] = (
    ("Top", _top),
    ("Speed", _speed),
    ("Rail", _rail),
    ("Lean", _lean),
    ("Swing", _swing),
    ("Cone", _cone),
    ("Control", _control),
    ("Servo cable", _servo),
    ("State vector", _state),
    ("Deployment", _opening),
    ("Descent", _descent),
    ("Landing", _touchdown),
    ("Where it lies", _where),
    ("Last heard", _last_heard),
    ("Wind", _wind),
    ("Drag", _drag),
    ("Margin", _margin),
    ("Link", _link),
    ("Battery", _battery),
)
