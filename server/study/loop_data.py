"""What the study of the roll loop takes from a flight: the time under control with what was heard then, and the loop."""

from __future__ import annotations

from dataclasses import dataclass
from math import copysign

import numpy as np

from protocol.arrays import Floats
from server.analysis.figures.control import RollFigure
from server.analysis.judgements.air import pad_air
from server.analysis.judgements.case import Case
from server.analysis.judgements.control import between, end_of_flight, fins_of, fins_until
from server.analysis.roles import QUATERNION, VELOCITY
from server.design.sheet_numbers import SheetNumbers
from server.flight.control.roll_authority import EFFECTIVE, REVERSED, WEAK
from server.flight.loop.margin_curve import EXCITED_RAD, Effectiveness, RollLoop, excited_range
from server.flight.loop.roll_loop import Lateness, RollLaw
from server.flight.motion.attitude import roll_rad
from server.flight.unmeasured import Unmeasured

Samples = tuple[Floats, Floats]  # times (s) and values
BEFORE_S = 1.0
FEWEST_COMMANDS, SETTLES_S = 12, 0.2
# What a margin cannot do without, and what the sheet calls it.
NEEDED = {
    "roll_rate_gain_s": "roll_rate_gain_s (and roll_angle_gain)",
    "control_period_s": "control_period_s",
    "servo_lag_s": "servo_lag_s",
}


@dataclass(frozen=True)
class Controlled:
    """The time under control: the two samples between which the gate opened, its end, what was heard (timeline s, SI)."""

    gate_s: tuple[float, float]
    end_s: float
    rates: list[Samples]
    fins: Samples
    pressure: Samples
    at_limit: float | None  # the share of time in which the fins were asked for their limit

    @property
    def opened_s(self) -> float:
        """The middle of the time in which the gate opened."""
        return 0.5 * (self.gate_s[0] + self.gate_s[1])


def controlled(case: Case) -> Controlled | Unmeasured:
    """Return the longest stretch of control in the flight, with what was heard from a second before it on."""
    lifted, ended = case.t_of("lift_off"), end_of_flight(case)
    if lifted is None or ended is None:
        return Unmeasured("no lift-off or no end of the flight is known")
    last = fins_until(case, ended)
    t, enabled = _flags(case, lifted, last)
    spans = _spans(t, enabled)
    if not spans:
        return Unmeasured("control was never seen to begin in this flight")
    gate_s, end_s = max(spans, key=lambda span: span[1] - span[0][1])
    start_s = gate_s[0] - BEFORE_S
    state = case.window("state", start_s, end_s)
    rates = [between(state, "body_rate.z", start_s, end_s)]
    rates += [between(case.window(f"unit_{unit}", start_s, end_s), f"gyro.{unit}.z", start_s, end_s) for unit in "ab"]
    fins, fitted, _ = fins_of(case, start_s, end_s)
    turned = np.mean(fitted, axis=0) if fitted else np.zeros(0)
    known = np.isfinite(turned)
    velocity = state.stack(*VELOCITY)
    pressure = 0.5 * pad_air(case).density_at(state["position.up"]) * (velocity * velocity).sum(axis=1)
    moves = np.isfinite(pressure)
    limit = case.facts.roll_limit_rad
    share = None
    if limit is not None and known.any():
        on = fins.t[known] >= gate_s[1]
        share = float((np.abs(turned[known][on]) > 0.95 * limit).mean()) if on.any() else None
    return Controlled(
        gate_s, end_s, [(at[np.isfinite(rate)], rate[np.isfinite(rate)]) for at, rate in rates if np.isfinite(rate).any()],
        (fins.t[known], turned[known]) if fitted else (np.zeros(0), turned), (state.t[moves], pressure[moves]), share,
    )  # fmt: skip


def _flags(case: Case, start_s: float, end_s: float) -> Samples:
    control = case.window("control", start_s, end_s)
    enabled = control["control.enabled"]
    known = np.isfinite(enabled)
    order = np.argsort(control.t[known], kind="stable")
    return control.t[known][order], enabled[known][order]


def _spans(t: Floats, enabled: Floats) -> list[tuple[tuple[float, float], float]]:
    """Return ((last time off, first time on), last time on) of each stretch of control that begins in the window."""
    on = enabled > 0.5
    begins = np.flatnonzero(~on[:-1] & on[1:]) + 1
    spans = []
    for begin in begins:
        later = np.flatnonzero(~on[begin:])
        end = begin + later[0] - 1 if later.size else t.size - 1
        spans.append(((float(t[begin - 1]), float(t[begin])), float(t[end])))
    return spans


def law_of(facts: SheetNumbers) -> RollLaw | None:
    """Return the declared law; None where the sheet tells no gain."""
    if not (facts.roll_rate_gain_s or facts.roll_angle_gain):
        return None
    return RollLaw(
        facts.roll_angle_gain or 0.0, facts.roll_rate_gain_s or 0.0, facts.gain_pressure_pa, facts.gain_least_pa or 0.0,
        facts.roll_limit_rad,
    )  # fmt: skip


def flown_share(case: Case, flown: Controlled, law: RollLaw) -> float | None:
    """Return how many times what the declared law asks for was asked, by least squares; None where it cannot be told.

    Angle and rate are brought to the times of the commands, once the first moment is over, in which they change too quickly
    for that; where either is at the limit nothing can be told.
    """
    start_s, end_s = flown.gate_s[1] + SETTLES_S, flown.end_s
    commanded = case.window("fins_commanded", start_s, end_s)
    state = case.window("state", flown.gate_s[0] - BEFORE_S, end_s)
    columns = np.array([column for column in commanded.columns.values() if np.isfinite(column).any()])
    angle, rate = roll_rad(*(state[role] for role in QUATERNION)), state["body_rate.z"]
    known = np.isfinite(angle) & np.isfinite(rate)
    if not columns.size or known.sum() < FEWEST_COMMANDS or flown.pressure[0].size < 2:
        return None
    turned, at = np.unwrap(angle[known]), state.t[known]
    asked = columns.mean(axis=0)
    held = np.interp(commanded.t, at, turned) - np.interp(flown.opened_s, at, turned)
    share = law.share(np.interp(commanded.t, *flown.pressure))
    meant = -share * (law.angle_gain * held + law.rate_gain_s * np.interp(commanded.t, at, rate[known]))
    limit = 0.95 * law.limit_rad if law.limit_rad is not None else np.inf
    free = np.isfinite(asked) & (np.abs(asked) < limit) & (np.abs(meant) < limit)
    if free.sum() < FEWEST_COMMANDS or np.std(meant[free]) < EXCITED_RAD:
        return None
    # Which angle it holds is not known to the sample: what that asks for is fitted as well.
    columns = np.stack([meant[free], share[free]], axis=1)
    return float(np.linalg.lstsq(columns, asked[free], rcond=None)[0][0])


def effectiveness_of(case: Case, flown: Controlled) -> Effectiveness | Unmeasured:
    """Return the roll authority as measured, positive where it has the sheet's sign, over the excited pressures."""
    figure = case.figures.get(RollFigure)
    if figure is None or figure.authority_per_pa_rad is None or figure.low is None or figure.high is None:
        return Unmeasured("no roll authority was measured" if figure is None else figure.reason_text)
    if figure.verdict not in (EFFECTIVE, WEAK, REVERSED):
        return Unmeasured(figure.reason_text)
    on = flown.fins[0] >= flown.gate_s[1]
    excited = excited_range((flown.fins[0][on], flown.fins[1][on]), flown.pressure)
    if excited is None:
        return Unmeasured("the fins moved too little while control was on")
    sign = copysign(1.0, figure.expected) if figure.expected else 1.0
    low, high = sorted((sign * figure.low, sign * figure.high))
    return Effectiveness(sign * figure.authority_per_pa_rad, low, high, *excited)


def loop_of(facts: SheetNumbers, effectiveness: Effectiveness) -> RollLoop | Unmeasured:
    """Return the loop of what was measured and what the sheet declares."""
    law = law_of(facts)
    missing = [word for key, word in NEEDED.items() if getattr(facts, key) is None]
    if law is not None and facts.roll_rate_gain_s is None:
        missing = missing[1:]
    if missing or law is None or facts.control_period_s is None or facts.servo_lag_s is None:
        return Unmeasured(f"the vehicle's sheet does not tell {', '.join(missing or [NEEDED['roll_rate_gain_s']])}")
    late = Lateness.of(
        facts.control_period_s, facts.control_delay_s or 0.0, facts.servo_lag_s, facts.servo_dead_time_s or 0.0
    )
    return RollLoop(law, effectiveness, late, facts.roll_damping_per_root_pa or 0.0)
