"""The dictionary's flight rules, watched between lift-off and the top: tilt and height beyond them are alarms at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import degrees
from typing import NamedTuple

import numpy as np

from protocol.arrays import Bools, Floats
from protocol.dictionary import Dictionary
from server.analysis.roles import QUATERNION
from server.analysis.trackers.output import Instant, TrackerOutput
from server.flight.motion.phase import Phase
from server.flight.motion.rule_watch import RuleWatch
from server.flight.sensors.state_health import GroundEstimate
from server.telemetry.batch import Batch, Rows

RISING = (Phase.BOOST, Phase.COAST)
TILT_ADVICE = "Warn everybody: it flies across the field and comes down far off, perhaps fast. Keep your eyes on it."
HEIGHT_ADVICE = "Tell the range safety officer: it is higher than this vehicle's rules allow."

Estimates = Callable[[str], tuple[Bools, GroundEstimate] | None]
"""Gives the ground's own estimate at the rows of the last batch's packet of that name, if it holds the attitude."""


@dataclass(frozen=True)
class Rule:
    """A rule as a person hears of it, and the watch that keeps it."""

    name: str
    unit: str
    shown: Callable[[float], float]  # from the watch's SI unit to that one
    advice: str
    watch: RuleWatch


class Step(NamedTuple):
    """A phase that begins (no rule), or one value held against a rule."""

    at: Instant
    phase: Phase
    rule: Rule | None
    value: float


class FlightRulesTracker:
    """Holds every row of the way up against the rules. Must come after height and motion, whose computed rows it reads."""

    def __init__(self, dictionary: Dictionary, estimates: Estimates) -> None:
        rules = dictionary.flight_rules
        attitude = dictionary.roles.get(QUATERNION[0])
        self._attitude_packet = attitude.packet if attitude is not None else ""
        self._estimates = estimates
        self._speed_min = rules.tilt_speed_min
        self._tilt, self._height = None, None
        if rules.tilt_max is not None:
            self._tilt = Rule("tilt", "degrees", degrees, TILT_ADVICE, RuleWatch(rules.tilt_max))
        if rules.height_max is not None:
            self._height = Rule("height", "m", float, HEIGHT_ADVICE, RuleWatch(rules.height_max))
        self._phase = Phase.PAD

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Go through the phases and values of a batch in order of arrival."""
        began = [
            Step(Instant(order, entry.rx_s, entry.t), Phase(str(entry.body["phase"])), None, 0.0)
            for order, entry in out.entries
            if entry.topic == "phase" and entry.key == "ground"
        ]
        if self._phase not in RISING and not began:
            return
        starts = np.array([step.at.order for step in began], dtype=np.int64)
        phases = [self._phase, *(step.phase for step in began)]
        rises = np.array([phase in RISING for phase in phases])
        burns = np.array([phase is Phase.BOOST for phase in phases])
        steps = list(began)
        for rule, rows, values, only_burning in self._watched(out):
            places = np.searchsorted(starts, rows.order, side="right")
            counts = rises[places] & (burns[places] | ~only_burning) & ~rows.late
            for row in np.flatnonzero(counts).tolist():
                steps.append(Step(Instant.of(rows, row), phases[places[row]], rule, float(values[row])))
        # A phase that begins with a frame begins before that frame's values.
        for step in sorted(steps, key=lambda step: (step.at.order, step.rule is not None)):
            if step.rule is None:
                self._begin(step, out)
            elif step.rule.watch.take(step.at.t, step.value):
                _note(step, step.rule, out)

    def _watched(self, out: TrackerOutput) -> Iterator[tuple[Rule, Rows, Floats, Bools]]:
        """Yield each rule with its rows, their values, and where they count only while the motor burns."""
        motion, vertical = out.rows.get("ground_motion"), out.rows.get("ground_vertical")
        if self._tilt is not None and motion is not None:
            with np.errstate(invalid="ignore"):
                slow = ~(self._speeds(motion) > self._speed_min)
            yield self._tilt, motion, motion.numbers("tilt"), slow
        if self._height is not None and vertical is not None:
            yield self._height, vertical, vertical.numbers("height"), np.zeros(len(vertical), dtype=bool)

    def _speeds(self, motion: Rows) -> Floats:
        """Return the vehicle's speed, or the ground's climb rate where that is greater or alone; NaN without either."""
        told = self._estimates(self._attitude_packet)
        speed = motion.numbers("speed")
        return speed if told is None else np.fmax(speed, np.abs(told[1].climb_m_s))

    def _begin(self, step: Step, out: TrackerOutput) -> None:
        self._phase = step.phase
        if step.phase in RISING:
            return
        for rule in (self._tilt, self._height):
            if rule is not None and rule.watch.end():
                out.note(step.at, "alarm", _key(rule), "info", f"{rule.name}: the way up is over", {"state": "cleared"})


def _key(rule: Rule) -> str:
    return f"rule {rule.name}"


def _note(step: Step, rule: Rule, out: TrackerOutput) -> None:
    value, limit = (f"{rule.shown(number):.0f} {rule.unit}" for number in (step.value, rule.watch.limit))
    if rule.watch.broken:
        text = f"{rule.name} {value} in {step.phase.value}, beyond the flight rule of {limit}"
        body = {"state": "raised", "value": step.value, "limit": rule.watch.limit, "advice": rule.advice}
        out.note(step.at, "alarm", _key(rule), "warning", text, body)
    else:
        text = f"{rule.name} within the flight rule again ({value})"
        out.note(step.at, "alarm", _key(rule), "info", text, {"state": "cleared", "value": step.value})
