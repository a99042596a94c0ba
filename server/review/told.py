"""A session told to a person: where it was, its moments in order, its findings and its figures as sentences.

Terminal and report tell the same. Everything is of the summary (`summarize`); a figure that is not known is left out here
and stands with its reason among what is not told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import degrees, isfinite

from server.flight.units import DEGREE, METRIC, MINUS, Units, number
from server.review.summary_shape import Summary

Body = Mapping[str, object]
NOBODY: Body = {}
GRAVE = {"warning": "WARNING", "caution": "CAUTION"}


@dataclass(frozen=True)
class ToldMoment:
    """A moment: seconds from lift-off (or of the recording) and what happened."""

    t: float
    text: str


@dataclass(frozen=True)
class ToldFinding:
    """A finding: how grave, seconds from lift-off where it has a moment, what was found, what to do."""

    severity: str
    t: float | None
    text: str
    advice: str


@dataclass(frozen=True)
class Told:
    """A session in words: `about` is vehicle, site and day, `recording` how whole it is, `facts` are (title, sentence)."""

    name: str
    about: str
    recording: str
    from_lift_off: bool
    moments: tuple[ToldMoment, ...]
    findings: tuple[ToldFinding, ...]
    facts: tuple[tuple[str, str], ...]
    commands: tuple[tuple[str, int, str], ...]  # what was asked for, how often, what became of it
    marks: tuple[ToldMoment, ...]
    alarms: tuple[ToldMoment, ...]
    not_told: tuple[tuple[str, str], ...]

    def clock(self, seconds: float) -> str:
        """Return seconds as T+1.5 s from lift-off, or as 1.5 s of the recording where nothing lifted off."""
        text = number(seconds, 1)
        return f"T{'' if text[0] == MINUS else '+'}{text} s" if self.from_lift_off else f"{text} s"

    def command_lines(self) -> list[str]:
        """Return what was asked for with its outcome, and how often."""
        return [f"{what}: {end}" + (f" ({count} times)" if count > 1 else "") for what, count, end in self.commands]


def told_of(summary: Summary, site: Body = NOBODY, units: Units = METRIC) -> Told:
    """Return a summary in words; `site` is the site's sheet."""
    zero = summary["lift_off_t"] or 0.0
    return Told(
        name=summary["session"],
        about=", ".join(part for part in (summary["vehicle"], str(site.get("name", "")), day_text(summary["utc"])) if part),
        recording=_recording(summary),
        from_lift_off=summary["lift_off_t"] is not None,
        moments=tuple(sorted(_moments(summary, zero, units), key=lambda moment: moment.t)),
        findings=tuple(_findings(summary, zero, units)),
        facts=tuple((title, text) for title, make in FACTS if (text := make(summary, units))),
        commands=_commands(summary),
        marks=tuple(ToldMoment(mark["t"] - zero, mark["text"]) for mark in summary["marks"]),
        alarms=tuple(_alarms(summary, zero, units)),
        not_told=tuple((name[:1].upper() + name[1:], units.said(text)) for name, text in summary.get("absent", {}).items()),
    )


def day_text(utc: str) -> str:
    """Return "15 June 2025 14:00 UTC" of an ISO 8601 time; what is none stays as it is."""
    try:
        at = datetime.fromisoformat(utc)
    except ValueError:
        return utc
    months = (
        "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
        "December",
    )  # fmt: skip
    return f"{at.day} {months[at.month - 1]} {at.year} {at:%H:%M} UTC"


def _recording(summary: Summary) -> str:
    minutes, seconds = divmod(round(summary["duration_s"]), 60)
    length = f"{minutes}:{seconds:02d}"
    parts = f" in {len(summary['parts'])} parts" if len(summary["parts"]) > 1 else ""
    if summary["damage"]:
        places = len(summary["damage"])
        return f"recording damaged in {places} place{'s' if places > 1 else ''}, {length}{parts}"
    return f"recording {'whole' if summary['closed'] else 'not closed'}, {length}{parts}"


# ---------------------------------------------------------------- moments


def _moments(summary: Summary, zero: float, units: Units) -> Iterator[ToldMoment]:
    figures = summary["figures"]
    if summary["lift_off_t"] is not None:
        yield ToldMoment(0.0, "lift-off")
    rail = figures.get("rail_exit", NOBODY)
    if (speed := _real(rail, "speed_m_s")) is not None and (at := _real(rail, "t")) is not None:
        yield ToldMoment(at - zero, f"off the rail at {units.speed_doubted(speed, rail.get('sigma_m_s'))}")
    for key, words, sigma in (("burnout", "burnout", "height_sigma_m"), ("apogee", "apogee", "sigma_m")):
        moment = summary["burnout"] if key == "burnout" else summary["apogee"]
        if moment is not None:
            height = units.meters_doubted(moment["height_m"], figures.get(key, NOBODY).get(sigma))
            yield ToldMoment(moment["t"] - zero, f"{words} at {height}")
    yield from _later_motors(figures, zero, units)
    if summary["control_enabled_t"] is not None:
        yield ToldMoment(summary["control_enabled_t"] - zero, "control enabled")
    if summary["deployment_t"] is not None:
        yield ToldMoment(summary["deployment_t"] - zero, "deployment")
    if summary["landing_t"] is not None:
        yield ToldMoment(summary["landing_t"] - zero, f"landed{_landed_at(figures.get('recovery', NOBODY), units)}")


def _later_motors(figures: Mapping[str, Body], zero: float, units: Units) -> Iterator[ToldMoment]:
    for key, words in (
        ("ignition_2", "second ignition"), ("burnout_2", "second burnout"),
        ("ignition_3", "third ignition"), ("burnout_3", "third burnout"),
    ):  # fmt: skip
        body = figures.get(key, NOBODY)
        at, height = _real(body, "t"), _real(body, "height_m")
        if at is not None and height is not None:
            yield ToldMoment(at - zero, f"{words} at {units.meters_doubted(height, body.get('height_sigma_m'))}")


def _landed_at(recovery: Body, units: Units) -> str:
    """Return the place of landing, as everything else has it: the headline's, if that is where it landed."""
    return "" if recovery.get("whereabouts_basis") != "landed" else f" {_away(recovery, units)}"


def _away(recovery: Body, units: Units) -> str:
    distance, bearing, radius = (
        _real(recovery, f"whereabouts_{name}") for name in ("distance_m", "bearing_deg", "radius_m")
    )
    if distance is None:
        return ""
    toward = "" if bearing is None else f" at {round(bearing) % 360:03d}{DEGREE}"
    within = "" if radius is None else f", within {units.meters(radius)}"
    return f"{units.meters(distance)} from the pad{toward}{within}"


# ---------------------------------------------------------------- findings, commands, alarms


def _findings(summary: Summary, zero: float, units: Units) -> Iterator[ToldFinding]:
    for finding in summary["findings"]:
        t = finding["t"]
        at = t - zero if isinstance(t, int | float) and not isinstance(t, bool) and isfinite(t) else None
        yield ToldFinding(finding["severity"], at, units.said(finding["text"]), units.said(str(finding["advice"] or "")))


def _alarms(summary: Summary, zero: float, units: Units) -> Iterator[ToldMoment]:
    for alarm in summary["alarms"]:
        t, by = alarm["t"], alarm.get("acknowledged_by")
        seen = f" (seen by {by})" if by else ""
        yield ToldMoment(t - zero if isinstance(t, float) else 0.0, f"{units.said(str(alarm['text']))}{seen}")


def _commands(summary: Summary) -> tuple[tuple[str, int, str], ...]:
    """Return commands in the order they were first asked for, those with the same outcome together."""
    counted = Counter(
        (
            " ".join(str(view.get(key) or "") for key in ("title", "args_text")).strip() or str(view.get("command") or "?"),
            str(view.get("state_text") or view.get("state") or "?"),
        )
        for view in summary["commands"]
    )
    return tuple((what, count, outcome) for (what, outcome), count in counted.items())


# ---------------------------------------------------------------- figures


def _real(body: Body, key: str) -> float | None:
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


def _top(summary: Summary, units: Units) -> str:
    if summary["apogee"] is None:
        return ""
    body = _figure(summary, "apogee")
    air, kelvin = _words(body, "air_from"), _real(body, "air_k")
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
    apogee = _real(now, "apogee_m") if isinstance(now, Mapping) else None
    return "" if apogee is None else f"its sheet and this drag give {units.meters(apogee)}"


def _speed(summary: Summary, units: Units) -> str:
    body = _figure(summary, "greatest_speed")
    fastest = _real(body, "speed_m_s")
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
    angle, wind = _real(body, "angle_of_attack_rad"), _real(body, "wind_m_s")
    if angle is None or wind is None:
        return ""
    return f"{number(degrees(angle), 0)}{DEGREE} to the air at the rail's end, in {units.meters_per_s(wind)} of wind"


def _lean(summary: Summary, units: Units) -> str:
    body = _figure(summary, "lean")
    lean, toward = _real(body, "greatest_tilt_rad"), _real(body, "azimuth_rad")
    side = "" if toward is None else f" toward {round(degrees(toward)) % 360:03d}{DEGREE}"
    told = "" if lean is None else f"{number(degrees(lean), 0)}{DEGREE}{side} at most while it should fly straight"
    tilt = summary["greatest_tilt_deg"]
    return _joined(told, "" if tilt is None else f"{number(tilt, 0)}{DEGREE} until apogee")


def _swing(summary: Summary, units: Units) -> str:
    body = _figure(summary, "swing")
    if body.get("excited") is not True:
        return _words(body, "reason")
    period, speed, expected = (_real(body, key) for key in ("period_s", "speed_m_s", "expected_period_s"))
    if period is None or speed is None:
        return ""
    sheet = "" if expected is None else f"; the sheet expects {number(expected, 2)} s"
    return f"one in {number(period, 2)} s at {units.meters_per_s(speed, 0)}{sheet}"


def _cone(summary: Summary, units: Units) -> str:
    body = _figure(summary, "cone")
    half, turns = _real(body, "half_angle_rad"), _real(body, "turns_per_s")
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
    guard = _real(_figure(summary, "guard"), "count")
    fell = f"the firmware fell back to its last valid state {number(guard, 0)} times" if guard else ""
    return _joined(broken, fell, units.said(_words(_figure(summary, "state_vector"), "sentence")))


def _opening(summary: Summary, units: Units) -> str:
    recovery, opening = _figure(summary, "recovery"), _figure(summary, "opening")
    parts = []
    for key, words in (("deployment", "deployment"), ("separation", "the bodies parted")):
        delay = _real(recovery, f"{key}_delay_s")
        if delay is not None:
            parts.append(f"{words} {number(abs(delay), 2)} s {'before' if delay < -0.005 else 'after'} apogee")
    climb = _real(opening, "climb_m_s")
    return _joined(*parts, "" if climb is None else f"opened while it still climbed at {units.meters_per_s(climb)}")


def _descent(summary: Summary, units: Units) -> str:
    body = _figure(summary, "descent")
    stages = body.get("stages")
    parts = []
    for stage in stages if isinstance(stages, Sequence) and not isinstance(stages, str) else ():
        if isinstance(stage, Mapping) and (rate := _real(stage, "rate_m_s")) is not None:
            start = _real(stage, "from_m")
            begun = "" if start is None else f" from {units.meters(start)}"
            parts.append(f"{_words(stage, 'kind')} {units.speed_doubted(rate, stage.get('sigma_m_s'))}{begun}")
    under, expected = _words(body, "under"), _real(body, "expected_both_m_s")
    hangs = f"it hung under {under}" if parts and under else ""
    sheet = f"the sheet expects {units.meters_per_s(expected)} under both" if parts and expected is not None else ""
    return _joined(", ".join(parts), hangs, sheet)


def _touchdown(summary: Summary, units: Units) -> str:
    body = _figure(summary, "descent")
    speed, energy = _real(body, "landing_m_s"), _real(body, "energy_j")
    if speed is None:
        return ""
    worth = "" if energy is None else f", {number(energy, 0)} J"
    return f"{units.speed_doubted(speed, body.get('landing_sigma_m_s'))} at the ground{worth}"


def _wind(summary: Summary, units: Units) -> str:
    body = _figure(summary, "recovery")
    wind, toward = _real(body, "wind_10_m_m_s"), _real(body, "drift_toward_rad")
    if wind is None or toward is None:
        return ""
    way = f"{units.meters_per_s(wind)} toward {round(degrees(toward)) % 360:03d}{DEGREE}"
    return f"{way} at {units.meters(10.0)} above the ground, by its drift under canopy"


def _where(summary: Summary, units: Units) -> str:
    body = _figure(summary, "recovery")
    away, text = _away(body, units), summary.get("whereabouts", "")
    if not away:
        return units.said(text)
    _, colon, how = text.partition("): ")
    return f"{away} (95 %): {units.said(how)}" if colon else away


def _last_heard(summary: Summary, units: Units) -> str:
    return units.said(summary.get("last_heard", ""))


def _link(summary: Summary, units: Units) -> str:
    body, lost = _figure(summary, "link"), summary["lost"]
    packets = sum(summary["packets"].values())
    share = f" ({number(100.0 * lost / (packets + lost), 1)} %)" if packets + lost else ""
    parts = [f"{lost} of {packets + lost} packets lost{share}" if packets else "no packet was heard"]
    margin, distance = _real(body, "margin_db"), _real(body, "greatest_distance_m")
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
    volts, without, cameras = (_real(body, key) for key in ("voltage_v", "minutes_cameras_off", "minutes_cameras_on"))
    parts = [] if volts is None else [f"{number(volts, 2)} V"]
    if without is not None:
        lit = "" if cameras is None else f", {number(cameras, 0)} min with them on"
        parts.append(f"{number(without, 0)} min left with the cameras off{lit}")
    return _joined(*parts)


def _margin(summary: Summary, units: Units) -> str:
    known: Body = summary
    told = known.get("configuration")
    states = [told.get(name) for name in ("liftoff", "burnout")] if isinstance(told, Mapping) else []
    margins = [_real(state, "margin_calibers") for state in states if isinstance(state, Mapping)]
    if len(margins) < 2 or margins[0] is None or margins[1] is None:
        return ""
    return f"{number(margins[0], 1)} calibers at lift-off, {number(margins[1], 1)} burned out, by the sheet"


def _drag(summary: Summary, units: Units) -> str:
    coefficient = _real(_figure(summary, "drag"), "coefficient")
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
