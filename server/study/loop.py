"""The roll loop of one flight: its answer at the gate, whether it swings, its margins, and where its gains can stay."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from server.analysis.judgements.case import Case
from server.flight.loop.gate_response import GateResponse, Value, gate_response
from server.flight.loop.limit_cycle import Swing, limit_cycle
from server.flight.loop.margin_curve import (
    GOAL_DB,
    GOAL_RAD,
    GainSchedule,
    MarginCurve,
    RollLoop,
    kept_ranges,
    margin_curve,
    schedule,
    words_of,
)
from server.flight.loop.roll_loop import rate_limited
from server.flight.unmeasured import Unmeasured
from server.study.loop_data import Controlled, controlled, effectiveness_of, flown_share, law_of, loop_of
from server.study.study import Line, Number, Picture, Study

TITLE = "How good was the roll control, and where can its gains stay?"
LIKE_THE_SHEET = 0.85, 1.15  # times the sheet's gains. Our choice
MOST_AT_LIMIT = 0.3  # of the time; a loop whose fins stand still is none. Our choice
ANSWER_OVER_S = 0.8  # after the gate; what swings then is no answer to it. Our choice
CAUTIONS = (
    "This is guidance from one flight: it knows nothing of speeds and heights that this flight did not go through, nor of a "
    "vehicle that has been changed since. Blockhouse is not a safety device; the range safety officer decides what flies.",
    "Active guidance is export-controlled in places, and gains with it: ask local law and export rules before you hand on "
    "what stands here.",
)


@dataclass
class Told:
    """A study while it is put together."""

    said: list[str] = field(default_factory=list)
    advice: list[str] = field(default_factory=list)
    numbers: list[Number] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)


def study(case: Case) -> Study:
    """Return what the flight tells of its roll loop."""
    flown, told = controlled(case), Told()
    if isinstance(flown, Unmeasured):
        return Study("loop", TITLE, (f"Nothing can be told of the roll loop: {flown.reason}.",), cautions=CAUTIONS)
    law = law_of(case.facts)
    holds_angle = law is not None and law.angle_gain > 0.0
    if law is None:
        told.said.append("The sheet declares no gains, so the answer is read as that of a law for the roll rate alone.")
    _tell_answer(told, flown, _answer(flown, holds_angle))
    swing = limit_cycle(flown.rates, flown.fins, flown.opened_s + ANSWER_OVER_S, flown.end_s)
    _tell_swing(told, swing)
    effectiveness = effectiveness_of(case, flown)
    loop = effectiveness if isinstance(effectiveness, Unmeasured) else loop_of(case.facts, effectiveness)
    if isinstance(loop, Unmeasured):
        told.said.append(f"No margins can be told: {loop.reason}.")
        if isinstance(effectiveness, Unmeasured):
            told.advice.append(
                "Let the fins move more while control is on, or rehearse the example's excitation (FC_EXCITE)."
            )
    else:
        _tell_flown_gains(told, flown_share(case, flown, loop.law))
        _tell_margins(told, loop, case.facts.servo_rate_rad_s)
    return Study("loop", TITLE, told.said, told.advice, told.numbers, told.pictures, CAUTIONS)


def _answer(flown: Controlled, holds_angle: bool) -> GateResponse | Unmeasured:
    if flown.at_limit is not None and flown.at_limit > MOST_AT_LIMIT:
        return Unmeasured(f"the fins stood at their limit for {100.0 * flown.at_limit:.0f} % of the time under control")
    return gate_response(flown.rates, flown.gate_s, flown.end_s, holds_angle=holds_angle)


def _tell_answer(told: Told, flown: Controlled, found: GateResponse | Unmeasured) -> None:
    rates = flown.rates[0]
    told.pictures.append(
        Picture("Roll rate around the gate", "s after control began", "deg/s", (_line("roll rate", flown, rates),))
    )
    if isinstance(found, Unmeasured):
        told.said.append(f"The answer at the gate cannot be told: {found.reason}.")
        return
    begun, past = abs(np.degrees(found.rate_rad_s.value)), 100.0 * found.rate_overshoot.value
    told.said.append(
        f"When control began it rolled at {begun:.0f} deg/s; the rate fell from 90 % to 10 % of that in "
        f"{_range(found.rise_s, 's', 2)}, swung {past:.0f} % past its end and stayed within 5 % after "
        f"{_range(found.rate_settled_s, 's', 2)}."
    )
    if found.farthest_rad is not None and found.steady_angle_rad is not None:
        told.said.append(
            f"It turned by up to {_degrees(found.farthest_rad)} from the angle that it was to hold, and stood "
            f"{_degrees(found.steady_angle_rad)} off in the end."
        )
    if flown.at_limit:
        told.said.append(
            f"For {100.0 * flown.at_limit:.0f} % of the time under control the fins stood at their limit, where no loop is "
            "linear."
        )
    told.numbers += [
        _number("roll rate at the gate", found.rate_rad_s, "deg/s", _DEGREES),
        _number("rise, 90 % to 10 %", found.rise_s, "s"),
        _number("rate past its end", found.rate_overshoot, "%", 100.0, "of the rate at the gate"),
        _number("rate settled within 5 %", found.rate_settled_s, "s"),
        _number("steady roll rate", found.steady_rate_rad_s, "deg/s", _DEGREES),
    ]
    for name, value, unit, scale in (
        ("farthest roll angle", found.farthest_rad, "deg", _DEGREES),
        ("angle past its end", found.angle_overshoot, "%", 100.0),
        ("angle settled within 5 %", found.angle_settled_s, "s", 1.0),
        ("steady roll angle", found.steady_angle_rad, "deg", _DEGREES),
    ):
        if value is not None:
            told.numbers.append(_number(name, value, unit, scale, "from that at the gate" if unit == "deg" else ""))


def _tell_swing(told: Told, swing: Swing | Unmeasured) -> None:
    if isinstance(swing, Unmeasured):
        told.said.append(f"Whether it swings by itself cannot be told: {swing.reason}.")
        return
    if not swing.is_limit_cycle:
        told.said.append("No swing of its own was found in roll rate and fins.")
        return
    told.said.append(
        f"The loop swings by itself at {swing.frequency_hz:.1f} Hz ({swing.low_hz:.1f} to {swing.high_hz:.1f}), the roll "
        f"rate by {np.degrees(swing.rate_rad_s):.0f} deg/s, the fins by {np.degrees(swing.fin_rad):.1f} deg each way."
    )
    told.advice.append(
        "Take the play out of servos and linkages (a sweep on the bench shows it), or lower both gains: with play, too much "
        "gain swings without end."
    )
    told.numbers += [
        Number("swing's frequency", swing.frequency_hz, swing.low_hz, swing.high_hz, "Hz"),
        _sized("swing of the roll rate", swing.rate_rad_s, swing.rate_sigma_rad_s, "deg/s"),
        _sized("swing of the fins", swing.fin_rad, swing.fin_sigma_rad, "deg"),
    ]


def _tell_flown_gains(told: Told, share: float | None) -> None:
    """Say whether the commands followed the law that the sheet declares."""
    if share is None:
        return
    told.numbers.append(Number("gains flown, times the sheet's", share))
    if not LIKE_THE_SHEET[0] <= share <= LIKE_THE_SHEET[1]:
        told.said.append(
            f"The fins were asked for {share:.1f} times what the sheet's gains ask for: the margins here are those of the "
            "sheet, not of what flew."
        )
        told.advice.append("Write the gains that flew, with their signs, into the sheet, and ask again.")


def _tell_margins(told: Told, loop: RollLoop, servo_rate_rad_s: float | None) -> None:
    held, curve = loop.effectiveness, margin_curve(loop)
    if held.high < 0.0:
        told.said.append("The fins turn it the wrong way round: no gain is stable, and no margin can be told.")
        told.advice.append("Reverse the fins or the sign of the law, and see on the bench that they turn the right way.")
        return
    phase_deg = float(np.degrees(curve.phase_rad.low.min()))
    told.said.append(
        f"Over {held.from_pa:.0f} to {held.to_pa:.0f} Pa, where the fins were moved, the gain margin is at least "
        f"{curve.gain_db.low.min():.0f} dB and the phase margin at least {phase_deg:.0f} deg by "
        f"the lower ends of their 95 % intervals; the goals are {GOAL_DB:.0f} dB and {np.degrees(GOAL_RAD):.0f} deg."
    )
    if loop.damping == 0.0:
        told.said.append("The sheet tells no roll damping, so none is reckoned with: the margins are on the safe side.")
    _tell_gains(told, loop, curve)
    if servo_rate_rad_s is not None and loop.law.limit_rad is not None:
        _tell_rate_limit(told, curve, loop.law.limit_rad, servo_rate_rad_s)
    for place in dict.fromkeys((0, len(curve.pressure_pa) // 2, len(curve.pressure_pa) - 1)):
        at = f"at {curve.pressure_pa[place]:.0f} Pa"
        for name, band, scale, unit in (("gain", curve.gain_db, 1.0, "dB"), ("phase", curve.phase_rad, _DEGREES, "deg")):
            ends = [scale * float(one[place]) for one in (band.value, band.low, band.high)]
            told.numbers.append(_margin(f"{name} margin {at}", ends, unit))
    q = curve.pressure_pa.tolist()
    for title, unit, band, scale, goal in (
        ("Gain margin", "dB", curve.gain_db, 1.0, GOAL_DB),
        ("Phase margin", "deg", curve.phase_rad, _DEGREES, float(np.degrees(GOAL_RAD))),
    ):
        if np.isfinite(band.high).all():
            parts = [(scale * one).tolist() for one in (band.value, band.low, band.high)]
            lines = (Line(title.lower(), q, *parts), Line("goal", [q[0], q[-1]], [goal, goal]))
            told.pictures.append(Picture(title, "dynamic pressure, Pa", unit, lines))


def _tell_gains(told: Told, loop: RollLoop, curve: MarginCurve) -> None:
    held, kept = loop.effectiveness, kept_ranges(curve)
    if curve.is_good.all():
        told.said.append(f"Both goals are met there with the gains as they are: keep them from {words_of(kept)}.")
        told.advice.append(
            f"Raise no gain below {held.from_pa:.0f} Pa and trust none above {held.to_pa:.0f} Pa until a flight has been "
            "there."
        )
        return
    told.said.append(
        f"The same gains can be kept from {words_of(kept)}, and not in the rest."
        if kept
        else "Nowhere are both goals met with these gains and all of their interval."
    )
    if (curve.gain_db.value >= GOAL_DB).all() and (curve.phase_rad.value >= GOAL_RAD).all():
        told.said.append("By the most likely values both goals are met everywhere there: what is missing is certainty.")
        told.advice.append(
            "Measure the fins better before the gains are changed: longer control, or the example's excitation, in a "
            "rehearsal first (FC_EXCITE)."
        )
    found = schedule(loop)
    if found is None:
        told.advice.append(
            "Lower gains alone do not reach the goals: raise the rate gain against the angle gain, or make servo and cycle "
            "quicker."
        )
        return
    told.advice.append(_schedule_words(found, loop))
    for name, (angle, rate) in (("ceiling", found.ceiling), ("floor", found.floor)):
        at = f"at {found.from_pa if name == 'ceiling' else found.to_pa:.0f} Pa"
        if angle > 0.0:
            told.numbers.append(Number(f"angle gain's {name}", angle, unit="deg/deg", note=at))
        told.numbers.append(Number(f"rate gain's {name}", rate, unit="s", note=at))


def _schedule_words(found: GainSchedule, loop: RollLoop) -> str:
    angle, rate = found.ceiling
    law = f"rate gain {rate * found.from_pa:.3g} s Pa / q"
    if loop.law.angle_gain > 0.0:
        law = f"angle gain {angle * found.from_pa:.3g} Pa / q, {law}"
    raised = " Some gains are higher than the flown ones, within the range that was flown." if found.raised else ""
    return (
        f"Divide the gains by the dynamic pressure q: {law}. Never divide by less than {found.from_pa:.0f} Pa (the ceiling "
        f"of the gains), and know nothing above {found.to_pa:.0f} Pa (their floor), where they go on falling.{raised}"
    )


def _tell_rate_limit(told: Told, curve: MarginCurve, limit_rad: float, rate_rad_s: float) -> None:
    """Say what the servo's greatest rate takes where the law asks for all it may, if it takes anything."""
    _, lag = rate_limited(np.full(curve.crossover_rad_s.shape, limit_rad), curve.crossover_rad_s, rate_rad_s)
    left = curve.phase_rad.low + lag
    if (lag < 0.0).any() and (left < GOAL_RAD).any():
        told.said.append(
            f"At the full {np.degrees(limit_rad):.0f} deg the servo's rate limit takes up to "
            f"{-np.degrees(lag.min()):.0f} deg of the phase margin and leaves {np.degrees(left.min()):.0f} deg."
        )


# ---------------------------------------------------------------- numbers and words

_DEGREES = float(np.degrees(1.0))


def _line(name: str, flown: Controlled, samples: tuple[np.ndarray, np.ndarray]) -> Line:
    return Line(name, (samples[0] - flown.opened_s).tolist(), np.degrees(samples[1]).tolist())


def _number(name: str, value: Value, unit: str, scale: float = 1.0, note: str = "") -> Number:
    return Number(name, scale * value.value, scale * value.low, scale * value.high, unit, note)


def _sized(name: str, value: float, sigma: float, unit: str) -> Number:
    size, doubt = float(np.degrees(value)), 1.96 * float(np.degrees(sigma))
    return Number(name, size, max(size - doubt, 0.0), size + doubt, unit, "each way")


def _margin(name: str, ends: list[float], unit: str) -> Number:
    """Return a margin of value, low and high; an end that is infinite is none."""
    value, low, high = (one if np.isfinite(one) else None for one in ends)
    return Number(name, value, low, high, unit, "" if value is not None else "nothing of that kind makes it swing")


def _range(value: Value, unit: str, digits: int) -> str:
    return f"{value.value:.{digits}f} {unit} ({max(value.low, 0.0):.{digits}f} to {value.high:.{digits}f})"


def _degrees(value: Value) -> str:
    ends = sorted(abs(np.degrees(one)) for one in (value.low, value.high))
    low = 0.0 if value.low < 0.0 < value.high else ends[0]
    return f"{abs(np.degrees(value.value)):.0f} deg ({low:.0f} to {ends[1]:.0f})"
