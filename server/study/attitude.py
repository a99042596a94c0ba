"""How the vehicle lay by its raw inertial units alone, and how far the attitude it claimed is to be believed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import degrees

import numpy as np

from protocol.arrays import Floats
from server.analysis.flight_log import Window
from server.analysis.judgements.case import Case
from server.analysis.roles import QUATERNION
from server.flight.inertial.ascent import (
    CLAIM,
    RAIL,
    Ascent,
    Attitudes,
    Integrated,
    Moments,
    Samples,
    ascent_of,
    barometer_at,
)
from server.flight.inertial.inputs import CLIPPED, GAP, STUCK
from server.flight.motion.attitude import tilt_rad
from server.study.study import Line, Number, Picture, Study

SUBJECT, TITLE = "attitude", "Attitude from the raw inertial units"
PAD_S = 30.0
Z_95 = 1.96
POINTS = 400  # of a curve
TOLD_GAP_S = 0.3
TELEMETRY = "telemetry"
ADVICE = {
    CLIPPED: "Fit or set a gyro and accelerometer of a wider range, or keep it from spinning so fast: past its end nothing "
    "can be integrated, on board as little as here.",
    STUCK: "Find out why a sensor repeated its value: its cable, its bus, or a program that sends an old sample.",
    GAP: "Read the onboard log for the stretches that the radio lost.",
}
APART_ADVICE = (
    "Go through what the estimator did from that moment on in the onboard log: an order of axes, a sign, a step of time, or "
    "a correction by a sensor that was wrong just then."
)
OTHER_ADVICE = (
    "Compare both units at rest and turned by hand on the bench before the next flight, and fly on neither till then."
)


def study(case: Case) -> Study:
    """Return the study of telemetry's units."""
    lift_off = case.t_of("lift_off")
    units = {} if lift_off is None else {
        name: of_window(case.window(f"unit_{name}", lift_off - PAD_S, case.now_s), name) for name in "ab"
    }  # fmt: skip
    return of_units(case, units, TELEMETRY)


def of_window(window: Window, name: str) -> Samples:
    """Return a unit of the flight log, or of an onboard log whose columns are named by role and on the same timeline."""
    force, rates = (window.stack(*(f"{kind}.{name}.{axis}" for axis in "xyz")) for kind in ("accel", "gyro"))
    return Samples(window.t, force, rates)


def of_units(case: Case, samples: Mapping[str, Samples], source: str) -> Study:
    """Return the study of units from telemetry or, at its full rate, an onboard log; `source` names it."""
    lift_off, apogee = case.t_of("lift_off"), case.t_of("apogee")
    if lift_off is None or apogee is None:
        return _untold("No lift-off and apogee were seen, so that there is no ascent to integrate over.")
    burnout = case.coasts_s
    heard = {name: one for name, one in samples.items() if np.isfinite(one.rates).any()}
    if not heard:
        return _untold("No inertial unit with force and rates about three axes was heard.")
    state = case.window("state", lift_off - PAD_S, apogee)
    claimed = Attitudes(state.t, state.stack(*QUATERNION))
    height = case.window("height", lift_off - PAD_S, case.now_s)
    told = ascent_of(
        heard,
        Moments(lift_off, apogee if burnout is None else burnout, apogee),
        claimed if np.isfinite(claimed.quaternion).all(axis=1).any() else None,
        case.facts.rail_azimuth_rad,
        (height.t, height["height_raw"]),
        case.facts.navigation_unit,
    )
    if not told.units:
        why = "; ".join(f"unit {name.upper()} {reason}" for name, reason in told.missing.items())
        return _untold(f"No unit can be integrated: {why}.")
    return _told(case, told, claimed, lift_off, apogee, source)


def _untold(why: str) -> Study:
    return Study(SUBJECT, TITLE, (why,))


def _told(case: Case, told: Ascent, claimed: Attitudes, lift_off: float, apogee: float, source: str) -> Study:
    first = told.units[0]
    said = [_main(first, lift_off, apogee, source), *_claim_words(told, lift_off), *_heading_words(told)]
    said += [*_agree_words(told), *_trouble_words(told, lift_off)]
    advice = []
    if told.apart is not None and told.apart.parted_s is not None:
        advice.append(APART_ADVICE)
    if told.agree is False:
        advice.append(OTHER_ADVICE)
    kinds = {
        trouble.kind
        for one in told.units
        for trouble in one.unit.troubles
        if trouble.kind != GAP or trouble.until_s - trouble.from_s >= TOLD_GAP_S or not one.has_speed
    }
    advice += [text for kind, text in ADVICE.items() if kind in kinds]
    cautions = []
    if any(one.start.rest.is_shaken for one in told.units):
        cautions.append("The vehicle was shaken on the pad all the time it was heard, so that tilt and bias rest on little.")
    pictures = [_tilt_picture(first, claimed, lift_off), *_apart_picture(told, lift_off)]
    return Study(SUBJECT, TITLE, said, advice, _numbers(case, told, lift_off, apogee), pictures, cautions)


def _interval(value: float, sigma: float) -> str:
    return f"{value:.1f} ({value - Z_95 * sigma:.1f} to {value + Z_95 * sigma:.1f})"


def _main(one: Integrated, lift_off: float, apogee: float, source: str) -> str:
    track, name = one.track, one.name.upper()
    tilt, sigma = degrees(track.tilt_rad()[-1]), degrees(track.tilt_sigma_rad()[-1])
    at_top = track.t[-1] > apogee - 0.5
    when = "at apogee" if at_top else f"{track.t[-1] - lift_off:.1f} s after lift-off, where it ends"
    text = f"By unit {name} of the {source} alone the nose leaned {max(tilt, 0.0):.1f} deg {when}"
    text += f" ({max(tilt - Z_95 * sigma, 0.0):.1f} to {min(tilt + Z_95 * sigma, 180.0):.1f})"
    if not one.has_speed:
        lost = any(trouble.kind == GAP for trouble in one.unit.troubles if trouble.from_s == one.unit.force_until_s)
        why = "packets lost in the burn hide how hard it was pushed" if lost else "its force is not known throughout"
        return f"{text}; speed and height cannot be had, since {why}."
    speed, doubt = _sideways(one)
    height, height_sigma = float(track.position[-1, 2]), float(track.height_sigma_m()[-1])
    text += f", at {max(speed, 0.0):.1f} m/s sideways ({max(speed - Z_95 * doubt, 0.0):.1f} to {speed + Z_95 * doubt:.1f})"
    return f"{text} and {_interval(height, height_sigma)} m up."


def _sideways(one: Integrated) -> tuple[float, float]:
    """Return horizontal speed at the track's end and one sigma (m/s)."""
    flat = one.track.velocity[-1, :2]
    speed = float(np.hypot(*flat))
    covariance = one.track.covariance[-1, 3:5, 3:5]
    if speed < 1e-6:
        return speed, float(np.sqrt(np.trace(covariance) / 2.0))
    return speed, float(np.sqrt(flat @ covariance @ flat)) / speed


def _claim_words(told: Ascent, lift_off: float) -> list[str]:
    apart = told.apart
    if apart is None:
        return ["The vehicle claims no attitude that could be compared."]
    flown = apart.t >= lift_off
    if apart.parted_s is None:
        if not flown.any():
            return ["The vehicle's claimed attitude was not heard in flight."]
        worst = int(np.argmax(np.where(flown, apart.nose_rad, -1.0)))
        nose, sigma = degrees(apart.nose_rad[worst]), degrees(apart.nose_sigma_rad[worst])
        return [
            f"The attitude the vehicle claimed never left the doubt of it: at most {nose:.1f} deg apart at the nose, "
            f"{apart.t[worst] - lift_off:.1f} s after lift-off, where 95 % of honest ones are within {2.45 * sigma:.1f} deg."
        ]
    since = apart.t >= apart.parted_s
    worst = int(np.argmax(np.where(since, apart.angle_rad, -1.0)))
    where = apart.parted_s - lift_off
    moment = f"{where:.1f} s after lift-off" if where >= 0.0 else "before lift-off"
    said = [
        f"The attitude the vehicle claimed parts from it {moment}: up to {degrees(apart.angle_rad[worst]):.0f} deg "
        f"({degrees(apart.nose_rad[worst]):.0f} deg at the nose), where the integration's own doubt about any axis is "
        f"{degrees(apart.sigma_rad[worst]):.1f} deg (one sigma)."
    ]
    belief = told.belief
    if belief is None or belief.whom is None:
        why = "" if belief is None or not belief.reasons else f": {'; '.join(belief.reasons)}"
        return [*said, f"Which of both is right from there on cannot be told{why}."]
    right = "the integrated one" if belief.whom == "strapdown" else "the vehicle's"
    return [*said, f"From there on believe {right}: {'; '.join(belief.reasons)}."]


def _heading_words(told: Ascent) -> list[str]:
    if told.heading == CLAIM:
        return []
    if told.heading == RAIL:
        return ["Its heading is the rail's azimuth of the site's sheet."]
    return ["Its heading is free: no attitude was claimed on the pad, and no rail leans to a known azimuth."]


def _agree_words(told: Ascent) -> list[str]:
    if told.agree is None:
        return []
    both = " and ".join(one.name.upper() for one in told.units[:2])
    if told.agree:
        return [f"Units {both}, each integrated by itself, agree within their doubts."]
    return [f"Units {both}, each integrated by itself, part by more than their doubts: one of them is wrong."]


def _trouble_words(told: Ascent, lift_off: float) -> list[str]:
    said = []
    for one in told.units:
        gaps = [trouble for trouble in one.unit.troubles if trouble.kind == GAP]
        others = [trouble for trouble in one.unit.troubles if trouble.kind != GAP]
        seen: set[tuple[str, str, str]] = set()
        for trouble in others:
            if (trouble.kind, trouble.sensor, trouble.axis) in seen:
                continue
            seen.add((trouble.kind, trouble.sensor, trouble.axis))
            ends = "attitude ends there" if trouble.sensor == "gyro" else "speed and height end there"
            when = trouble.from_s - lift_off
            said.append(f"Unit {one.name.upper()}: {trouble.words()} {when:.1f} s after lift-off; its {ends}.")
        longest = max((trouble.until_s - trouble.from_s for trouble in gaps), default=0.0)
        if longest >= TOLD_GAP_S:
            times = "once" if len(gaps) == 1 else f"{len(gaps)} times, at most"
            said.append(
                f"Unit {one.name.upper()} was silent {times} for {longest:.1f} s; how far it may have turned meanwhile is "
                "in the doubt."
            )
    said += [f"Unit {name.upper()} is not integrated: {why}." for name, why in told.missing.items()]
    drifts = [one.name.upper() for one in told.units if any(one.start.rest.wanders)]
    said += [f"The gyro of unit {name} drifted on the pad; its drift is taken along, and doubted." for name in drifts]
    return said


def _numbers(case: Case, told: Ascent, lift_off: float, apogee: float) -> list[Number]:
    numbers = []
    for one in told.units:
        track, name = one.track, one.name.upper()
        numbers.append(
            _number(f"tilt on the pad, unit {name}", degrees(track.tilt_rad()[0]), degrees(track.tilt_sigma_rad()[0]))
        )
        burnout = case.coasts_s
        if burnout is not None and lift_off < burnout < track.t[-1]:
            at = int(np.searchsorted(track.t, burnout))
            tilt, sigma = degrees(track.tilt_rad()[at]), degrees(track.tilt_sigma_rad()[at])
            numbers.append(_number(f"tilt at burnout, unit {name}", tilt, sigma))
            if one.unit.force_until_s > burnout:
                climb = float(track.velocity[at, 2]), float(track.speed_sigma_m_s()[at, 2])
                numbers.append(_number(f"climb rate at burnout, unit {name}", *climb, "m/s", floor=-np.inf))
        tilt, sigma = degrees(track.tilt_rad()[-1]), degrees(track.tilt_sigma_rad()[-1])
        end = "at apogee" if track.t[-1] > apogee - 0.5 else "at its end"
        numbers.append(_number(f"tilt {end}, unit {name}", tilt, sigma))
        if one.has_speed:
            numbers.append(_number(f"sideways speed {end}, unit {name}", *_sideways(one), "m/s"))
            height = float(track.position[-1, 2]), float(track.height_sigma_m()[-1])
            numbers.append(_number(f"height {end}, unit {name}", *height, "m"))
    window = case.window("height", lift_off, case.now_s)
    told_m = barometer_at((window.t, window["height_raw"]), float(told.units[0].track.t[-1]))
    if told_m is not None:
        numbers.append(Number("height there by the barometer", told_m, unit="m", note="depends on no unit"))
    if told.apart is not None:
        flown = told.apart.t >= lift_off
        if flown.any():
            worst = degrees(float(told.apart.nose_rad[flown].max()))
            numbers.append(Number("claimed attitude apart at the nose, at most", worst, unit="deg"))
    return numbers


def _number(name: str, value: float, sigma: float, unit: str = "deg", floor: float = 0.0) -> Number:
    return Number(name, value, max(value - Z_95 * sigma, floor), value + Z_95 * sigma, unit)


def _thin(*columns: Floats) -> list[list[float]]:
    every = max(1, len(columns[0]) // POINTS)
    return [np.asarray(column)[::every].tolist() for column in columns]


def _band(name: str, x: Floats, y: Floats, sigma: Floats) -> Line:
    low, high = np.maximum(y - Z_95 * sigma, 0.0), y + Z_95 * sigma
    return Line(name, *_thin(x, y, low, high))


def _tilt_picture(one: Integrated, claimed: Attitudes, lift_off: float) -> Picture:
    track = one.track
    lines = [
        _band(
            f"unit {one.name.upper()} integrated",
            track.t - lift_off,
            *map(np.degrees, (track.tilt_rad(), track.tilt_sigma_rad())),
        )
    ]
    tilt = np.degrees(tilt_rad(*claimed.quaternion.T))
    chosen = np.isfinite(tilt) & (claimed.t >= track.t[0]) & (claimed.t <= track.t[-1])
    if chosen.any():
        order = np.argsort(claimed.t[chosen], kind="stable")
        lines.append(Line("claimed", *_thin((claimed.t[chosen] - lift_off)[order], tilt[chosen][order])))
    return Picture("How far the nose leaned", "time after lift-off (s)", "tilt (deg)", lines)


def _apart_picture(told: Ascent, lift_off: float) -> Sequence[Picture]:
    apart = told.apart
    if apart is None:
        return ()
    x, angle, doubt = _thin(apart.t - lift_off, np.degrees(apart.nose_rad), np.degrees(2.45 * apart.nose_sigma_rad))
    lines = (Line("apart at the nose", x, angle), Line("95 % of honest claims are below", x, doubt))
    return (Picture("The claimed attitude apart from the integrated one", "time after lift-off (s)", "angle (deg)", lines),)
