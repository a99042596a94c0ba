"""Study "control": what fins did about three axes, one by one, and what would have shown it where they did not move."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import degrees, isfinite, radians, sqrt

import numpy as np

from server.analysis.judgements.case import Case
from server.flight.control.roll_authority import EFFECTIVE, NOT_EXCITED, REVERSED, WEAK
from server.flight.effectiveness.axis_fit import AxisFit, fit_axis, moving
from server.flight.effectiveness.effect import SIGN_ONLY, Effect, effect_of
from server.flight.effectiveness.excitation import Needed, needed
from server.flight.effectiveness.expected import Expected, expected
from server.flight.effectiveness.modes import AXES
from server.study.control_window import Controlled, controlled_flight
from server.study.side_motors import tell_side_motors
from server.study.study import Line, Number, Picture, Study

SUBJECT, TITLE = "control", "Control effectiveness"
UNIT = "rad/s2 per Pa and rad"
CAUTIONS = (
    "Guidance from one flight: raise no gain beyond what was flown, and ask the range safety officer, local law and export "
    "rules before steering anything.",
    "Excite on purpose only above the gate's height and speed, with the amplitude limited in firmware, and off as soon as "
    "the vehicle tilts.",
)
ODD_FIN_SHARE = 0.8  # of the mean of the others, surely less: common practice, no source
GREATEST_ADVISED_RAD = radians(6.0)  # more is no small excitation; common practice, no source
COUPLING_SIGMAS = 4.0  # every flight asks it twice: at 95 % one in ten would be told a coupling it does not have
LEAST_ADVISED_RAD = radians(0.5)  # less is lost in a linkage's play; common practice, no source
LEAST_CONTROL_S = 0.5  # in less nothing can be excited; common practice, no source
CONTROL_AXIS = {"roll": "roll", "pitch": "pitch (about body x)", "yaw": "yaw (about body y)"}


@dataclass
class _Told:
    """Sentences, advice and numbers as they come together."""

    said: list[str] = field(default_factory=list)
    advice: list[str] = field(default_factory=list)
    numbers: list[Number] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)


def study(case: Case) -> Study:
    """Return what the fins did in a finished recording; what cannot be told has its reason."""
    flown = controlled_flight(case)
    if isinstance(flown, str):
        return Study(SUBJECT, TITLE, (flown,))
    promised = _promised(case)
    out, pushed = _Told(), _Told()
    flown = replace(flown, kicks=tell_side_motors(flown, pushed.said, pushed.advice, pushed.numbers))
    for axis in AXES:
        fit = fit_axis(flown.heard(axis), axis)
        if fit is None:
            out.said.append(f"{CONTROL_AXIS[axis].capitalize()}: {_why_not(flown, axis)}")
            continue
        _tell_axis(out, flown, fit, axis, promised.of(axis))
    if any(number.name == "roll effectiveness" for number in out.numbers):
        _tell_fins(out, flown)
    for into, more in ((out.said, pushed.said), (out.advice, pushed.advice)):
        into.extend(more)
    out.numbers.extend(pushed.numbers)
    if flown.is_commanded:
        out.said.append("No sensor measures the fins: their commands were taken, with the servos' lag fitted.")
    return Study(SUBJECT, TITLE, out.said, out.advice, out.numbers, out.pictures, CAUTIONS)


def _promised(case: Case) -> Expected:
    """Return what the sheet promises: by the shape of its fins, for roll its own number where it gives one."""
    facts = case.facts
    by_shape = Expected()
    if facts.tail_fins is not None and facts.diameter_m is not None and facts.fin_movable_share is not None:
        by_shape = expected(
            facts.tail_fins,
            facts.diameter_m,
            facts.fin_movable_share,
            center_of_gravity_m=facts.center_of_gravity_m,
            roll_inertia_kg_m2=facts.roll_inertia_kg_m2,
            lateral_inertia_kg_m2=facts.lateral_inertia_kg_m2,
        )
    roll = by_shape.roll if by_shape.roll is not None else facts.roll_authority_per_pa_rad
    return Expected(roll, by_shape.across)


def _why_not(flown: Controlled, axis: str) -> str:
    heard = flown.heard(axis)
    if axis != "roll" and heard.motion is None:
        return "attitude and velocity were not heard together, so the angle to the air is not known."
    if not heard.rates:
        return "no gyro was heard."
    return "too little was heard of rates and fins together, or it rolled too fast for this telemetry."


def _tell_axis(out: _Told, flown: Controlled, fit: AxisFit, axis: str, promised: float | None) -> None:
    place = AXES.index(axis)
    effect = effect_of(fit, place, axis, promised, flown.share)
    name = CONTROL_AXIS[axis].capitalize()
    out.said.append(f"{name}: {_sentence(effect, fit, flown)}")
    known = isfinite(effect.value)
    note = _OF_VERDICT[effect.verdict]
    value, low, high = (one if known else None for one in (effect.value, effect.low, effect.high))
    out.numbers.append(Number(f"{axis} effectiveness", value, low, high, UNIT, note))
    if promised is not None:
        out.numbers.append(Number(f"{axis}, by the sheet's fins", promised, None, None, UNIT, "Barrowman's slopes"))
    out.numbers.append(Number(f"{axis}: fins moved on their own", degrees(effect.moved_rad), None, None, "deg", "one sigma"))
    if effect.verdict in (NOT_EXCITED, SIGN_ONLY):
        _advise_excitation(out, flown, fit, effect)
    if effect.verdict == REVERSED:
        out.advice.append(f"Turn the sign of the {axis} commands, in firmware or by the linkage, and prove it on the Bench.")
    if effect.verdict == WEAK:
        out.advice.append("Look for play, slipping horns and flexing fins on the Bench before any gain is raised.")
    if axis == "roll":
        _tell_roll(out, fit, effect)
    else:
        _tell_coupling(out, fit, axis)


_OF_VERDICT = {
    EFFECTIVE: "the right way round",
    SIGN_ONLY: "the right way round; its size is not well known",
    WEAK: "less than half of what the sheet promises",
    REVERSED: "reversed",
    NOT_EXCITED: "not excited",
}


def _sentence(effect: Effect, fit: AxisFit, flown: Controlled) -> str:
    moved = f"the fins moved by {degrees(effect.moved_rad):.2f} degrees for it on their own (one sigma)"
    if effect.verdict == NOT_EXCITED:
        bound = ""
        if isfinite(effect.value):
            bound = f", and {_figure(effect.low)} to {_figure(effect.high)} {UNIT} (95 %) is all that can be told"
        return f"not excited: {moved}{bound}."
    inside = (fit.window.grid >= (flown.controlled_s or fit.window.t[0])) & (fit.window.grid <= fit.window.t[-1])
    pressure = float(np.median(fit.window.pressure[inside])) if inside.any() else float(np.median(fit.window.pressure))
    how = {
        EFFECTIVE: "turning the fins turns it the right way",
        SIGN_ONLY: "turning the fins turns it the right way, but its size is not well known",
        WEAK: "less than half of what the sheet promises came of the fins",
        REVERSED: "reversed: turning the fins turns it the wrong way",
    }[effect.verdict]
    text = (
        f"{how}: {_figure(effect.value)} {UNIT} ({_figure(effect.low)} to {_figure(effect.high)}, 95 %), so that one degree "
        f"at {pressure:.0f} Pa gives {abs(effect.value) * pressure:.1f} deg/s2"
    )
    if effect.expected:
        text += f"; the sheet promises {_figure(effect.expected)}"
    if effect.verdict == REVERSED and effect.reversed_odds is not None:
        text += f"; the chance that it is not reversed is {_chance(1.0 - effect.reversed_odds)}"
    return text + "."


def _figure(value: float) -> str:
    return f"{value:.3g}"


def _chance(odds: float) -> str:
    return "less than one in a million" if odds < 1e-6 else f"{100.0 * odds:.2g} %"


def _tell_roll(out: _Told, fit: AxisFit, effect: Effect) -> None:
    """Tell trim and lag, and draw what the fins added to the roll."""
    if not isfinite(effect.value) or effect.verdict == NOT_EXCITED:
        return
    trim = -fit.setting / effect.value
    slope = np.array([trim, 1.0]) / effect.value
    place = fit.used.index(0)
    pair = [place, len(fit.used)]
    sigma = sqrt(max(0.0, float(slope @ fit.covariance[np.ix_(pair, pair)] @ slope)))
    low, high = (degrees(trim + sign * 1.96 * sigma) for sign in (-1.0, 1.0))
    out.numbers.append(Number("roll trim", degrees(trim), low, high, "deg", "of all fins, to hold the roll still"))
    out.numbers.append(Number("lag from fins to roll", fit.lag_s, None, None, "s", "most likely"))
    if low > 0.2 or high < -0.2:
        out.said.append(
            f"A fixed setting rolls it: {degrees(trim):+.2f} degrees ({low:+.2f} to {high:+.2f}) of all fins hold it."
        )
        out.advice.append(f"Set the fins by {degrees(trim):+.1f} degrees, or give the controller that trim.")
    data, start = fit.regression, float(fit.window.t[0])
    turned = data.columns(fit.lag_s)[:, place] * effect.value
    t = [round(float(one) - start, 3) for one in data.t]
    lines = (
        Line("heard", t, [degrees(float(one)) for one in data.rate]),
        Line("added by the fins", t, [degrees(float(one)) for one in turned]),
    )
    out.pictures.append(Picture("Roll rate, and what the fins added to it", "s after the rail", "deg/s", lines))


def _tell_coupling(out: _Told, fit: AxisFit, axis: str) -> None:
    """Tell whether turning all fins alike turns the nose as well."""
    coupling = effect_of(fit, 0, "roll")
    if not isfinite(coupling.value):
        return
    note = "what turning all fins alike does"
    out.numbers.append(Number(f"roll command into {axis}", coupling.value, coupling.low, coupling.high, UNIT, note))
    if abs(coupling.value) > COUPLING_SIGMAS * float(fit.sigma[0]):
        out.said.append(
            f"A roll command moves the nose in {axis}: {_figure(coupling.value)} ({_figure(coupling.low)} to "
            f"{_figure(coupling.high)}) {UNIT}."
        )
        out.advice.append("Look for one fin that turns less, or is set otherwise, than its opposite.")


def _advise_excitation(out: _Told, flown: Controlled, fit: AxisFit, effect: Effect) -> None:
    """Say what back-and-forth of the fins would have told the effect, from this flight's own noise."""
    size = effect.expected if effect.expected else (effect.value if effect.verdict == SIGN_ONLY else None)
    if not size:
        out.advice.append(
            "Give the sheet roll_inertia_kg_m2, fin_movable_share and the fins of the configuration: then it is told what "
            f"excitation would show the effect in {effect.axis}."
        )
        return
    start_s = max(flown.controlled_s or flown.start_s, float(fit.window.t[0]))
    end_s = float(fit.window.t[-1])
    if end_s - start_s < LEAST_CONTROL_S:
        out.advice.append(f"Let control work for longer: {max(0.0, end_s - start_s):.1f} s tell nothing of {effect.axis}.")
        return
    asked = [needed(fit, size, start_s, stop) for stop in (end_s, min(start_s + 1.0, end_s))]
    ways = [_way(one) for one in asked if one is not None and one.amplitude_rad <= GREATEST_ADVISED_RAD]
    if ways:
        out.advice.append(f"To tell {effect.axis} within 10 %: {' or '.join(dict.fromkeys(ways))}.")
    elif asked[0] is not None:
        out.advice.append(
            f"Let control begin earlier and faster to tell {effect.axis} within 10 %: at this speed it would take "
            f"{degrees(asked[0].amplitude_rad):.0f} degrees back and forth for {asked[0].seconds:.1f} s."
        )


def _way(one: Needed) -> str:
    amplitude_deg = degrees(max(one.amplitude_rad, LEAST_ADVISED_RAD))
    when = f"for {one.seconds:.1f} s at {one.pressure_pa:.0f} Pa"
    return f"{amplitude_deg:.1f} degrees back and forth every {one.period_s:g} s {when}"


def _tell_fins(out: _Told, flown: Controlled) -> None:
    """Tell each fin's part in the roll where the fins moved apart."""
    heard, count = flown.heard("roll", each=True), flown.angles.shape[1]
    if count < 2:
        return
    if len(moving(heard.fins[1][np.isfinite(heard.fins[1]).all(axis=1)])[0]) < count:
        out.said.append("One fin cannot be told from another: they moved alike.")
        return
    fit = fit_axis(heard, "roll")
    if fit is None or not np.isfinite(fit.value).all():
        return
    mean = float(np.mean(fit.value))
    for i in range(count):
        effect = effect_of(fit, i, f"fin {i + 1}", mean, flown.share)
        out.numbers.append(Number(f"fin {i + 1}, roll", effect.value, effect.low, effect.high, UNIT, "by itself"))
        others = float(np.mean(np.delete(fit.value, i)))
        if fit.high[i] < ODD_FIN_SHARE * others:
            out.said.append(f"Fin {i + 1} gives {100.0 * fit.value[i] / others:.0f} % of what the others give.")
            out.advice.append(f"Look at fin {i + 1} on the Bench: horn, linkage, hinge.")
