"""What was wrong in a run: which frame, which component, and what began in that frame.

Bounds on how far a state vector may be from what the twin's own computer makes of the same sensor values are invented, and
chosen on the clean example's runs of odd seeds: upward fifteen times the greatest distance there, sideways three times. They
were tried on runs of even seeds (`tests/bench/README.md`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass, replace

from protocol.fields import Value
from server.rehearsal.answers import AnswerReader
from server.rehearsal.flown import Flown, Frame
from server.rehearsal.shadow import Believed, Shadow, turn_between

NOT_FINITE, APART, WRONG_PHASE, DEPLOYMENT, ENDED, NOT_RECOVERED, PUSHED_AWAY = (
    "not finite", "state apart", "phase apart", "deployment apart", "ended", "not recovered", "pushed away",
)  # fmt: skip
BY_ITSELF = (NOT_FINITE, ENDED)  # wrong without the twin's own computer to compare with
DEPLOYMENT_WITHIN_S = 0.2
PHASE_WITHIN_S = 0.5
CONTROL_WITHIN_S = 0.5  # at the edge of the gate centimeters decide which of two estimates is through it first
LANDED_WITHIN_S = 3.0  # how long lying still takes to believe differs from one computer to the next
ATTITUDE, FINS = "attitude, degrees", "control.roll_command"
STRAY_SHARE = 0.7  # of a bound: what is left is for how far a faultless computer is from the twin's own
QUATERNION = tuple(f"attitude_quaternion.{part}" for part in "wxyz")


@dataclass(frozen=True)
class Bounds:
    """How far from the twin's own computer the state vector may be, SI units; attitude and rates before deployment only.

    Upward both have pressure and keep close; sideways nothing but a fix a fifth of a second old holds them.
    """

    position_m: float = 15.0
    velocity_m_s: float = 6.0
    up_m: float = 2.0
    climb_m_s: float = 1.0
    attitude_rad: float = math.radians(8.0)
    rate_rad_s: float = 0.35
    fin_rad: float = math.radians(4.0)

    def times(self, factor: float) -> Bounds:
        """Return bounds so many times as wide, for a computer that estimates otherwise than the twin's."""
        return Bounds(*[factor * bound for bound in astuple(self)])


@dataclass(frozen=True, slots=True)
class Wrong:
    """One thing that was wrong. `frame` counts the run's frames from 0; `began` is what changed in that very frame."""

    kind: str
    frame: int
    time_us: int
    component: str
    told: float
    wanted: float | None = None
    began: tuple[str, ...] = ()

    def sentence(self) -> str:
        """Return it as a person reads it."""
        at = f"frame {self.frame}, {self.time_us / 1e6:.3f} s: {self.component}"
        what = {
            NOT_FINITE: "is not a number",
            APART: f"is {self.told:.4g} where the twin's own computer has {self.wanted or 0.0:.4g}",
            WRONG_PHASE: "comes at another time than with the twin's own computer",
            DEPLOYMENT: "is not ordered when the twin's own computer orders it",
            ENDED: "",
            NOT_RECOVERED: "did not come before the ground",
            PUSHED_AWAY: f"pushed the nose away from the vertical: {self.told:.0f} deg, {self.wanted or 0.0:.0f} without it",
        }[self.kind]
        began = f"; in that frame: {', '.join(self.began)}" if self.began else ""
        return f"{at} {what}".rstrip() + began


def first_not_finite(flown: Flown, reader: AnswerReader) -> Wrong | None:
    """Return the first value of any answer that is not a number, with what began in its frame."""
    before: Frame | None = None
    for number, frame in enumerate(flown.frames):
        if frame.answer is None:
            continue
        for index, values in enumerate(frame.answer.packets):
            # A sum tells at once for the whole packet; text never stands in one.
            if values is None or math.isfinite(sum(value for value in values if not isinstance(value, str))):
                continue
            for channel, value in zip(reader.channels[index], values, strict=True):
                if not isinstance(value, str) and not math.isfinite(value):
                    began = tuple(changes(reader, before, frame))
                    return Wrong(NOT_FINITE, number, frame.time_us, channel.path, float(value), None, began)
        before = frame
    return None


def changes(reader: AnswerReader, before: Frame | None, frame: Frame) -> Iterator[str]:
    """Yield what switches, phases and modes did in a frame: `control.enabled goes to 1`."""
    if before is None or before.answer is None or frame.answer is None:
        return
    for index, (old, new) in enumerate(zip(before.answer.packets, frame.answer.packets, strict=True)):
        if old is None or new is None:
            continue
        for place, channel in enumerate(reader.channels[index]):
            if channel.kind in ("flag", "enum") and old[place] != new[place]:
                yield f"{channel.path} goes to {word_of(channel.values, new[place])}"
    place = reader.state_places["ordered"]
    if before.answer.state[place] != frame.answer.state[place]:
        yield "a firing is ordered"


def word_of(values: Sequence[str], value: Value) -> str:
    """Return a value as a person reads it: the word of an enumeration, else the number."""
    if isinstance(value, str):
        return value
    is_named = math.isfinite(value) and 0 <= value < len(values)
    return values[int(value)] if is_named else f"{value:.6g}"


@dataclass
class Judge:
    """Compares a run with the twin's own computer on the same stimuli, frame by frame."""

    reader: AnswerReader
    phases: Sequence[str]
    bounds: Bounds = Bounds()

    def wrongs(self, flown: Flown, believed: Sequence[Believed | None]) -> list[Wrong]:
        """Return everything that was wrong, the earliest first; of the state vector the first component apart only."""
        compared, theirs = flown, believed
        found: list[Wrong | None] = []
        if flown.outages:  # from then on it cannot be where a computer is that was never without power
            first = flown.outages[0].frame
            compared, theirs = replace(flown, frames=flown.frames[:first], outages=[]), believed[:first]
            found.append(self.not_recovered(flown))
        found += [
            first_not_finite(flown, self.reader),
            self._first_apart(compared, theirs),
            *self._phases(compared, theirs),
        ]
        if flown.ended:
            found.append(Wrong(ENDED, len(flown.frames), round(flown.duration_s * 1e6), flown.ended, 0.0))
        return sorted((one for one in found if one is not None), key=lambda one: (one.frame, one.kind != NOT_FINITE))

    def not_recovered(self, flown: Flown) -> Wrong | None:
        """Return what is wrong when a flight that came down had no recovery ordered, before or after the outage."""
        if flown.deployed_s is not None or not flown.landed:
            return None
        outage = flown.outages[-1]
        told = f"recovery, after it was without power from {outage.from_s:.2f} to {outage.until_s:.2f} s,"
        return Wrong(NOT_RECOVERED, len(flown.frames), round(flown.duration_s * 1e6), told, 0.0)

    def deployment(self, flown: Flown, believed: Sequence[Believed | None]) -> tuple[float | None, float | None]:
        """Return when recovery was ordered, s since the beginning: by the computer, and by the twin's own."""
        place = self.reader.state_places["ordered"]
        bits = self.reader.laterals
        ours = next((f.time_us for f in flown.frames if f.answer is not None and int(f.answer.state[place]) >> bits), None)
        theirs = next((f.time_us for f, b in zip(flown.frames, believed, strict=True) if b is not None and b.deployed), None)
        return tuple(None if one is None else one / 1e6 for one in (ours, theirs))  # type: ignore[return-value]

    def _phases(self, flown: Flown, believed: Sequence[Believed | None]) -> Iterator[Wrong]:
        ours = self._entered(flown, [self._phase(frame) for frame in flown.frames])
        theirs = self._entered(flown, [b.phase if b is not None else None for b in believed])
        end_us = flown.frames[-1].time_us if flown.frames else 0
        for phase in self.phases:
            mine, their = ours.get(phase), theirs.get(phase)
            allowed = LANDED_WITHIN_S if phase == "landed" else PHASE_WITHIN_S
            if mine is None and their is None:
                continue
            # What the end of the run leaves open is not held against it.
            apart = abs((mine or (0, end_us))[1] - (their or (0, end_us))[1]) / 1e6
            if apart > allowed:
                frame, time_us = mine or their or (0, 0)
                yield Wrong(WRONG_PHASE, frame, time_us, f"phase {phase}", time_us / 1e6)
        mine_s, their_s = self.deployment(flown, believed)
        if (mine_s is None) != (their_s is None) or (
            mine_s is not None and their_s is not None and abs(mine_s - their_s) > DEPLOYMENT_WITHIN_S
        ):
            at_s = mine_s if their_s is None else their_s if mine_s is None else min(mine_s, their_s)
            number = next((n for n, f in enumerate(flown.frames) if f.time_us >= (at_s or 0.0) * 1e6), 0)
            yield Wrong(DEPLOYMENT, number, round((at_s or 0.0) * 1e6), "deployment", mine_s or math.nan, their_s)

    def _phase(self, frame: Frame) -> str | None:
        value = self.reader.value(frame.answer, "vehicle_phase") if frame.answer is not None else None
        return self.phases[int(value)] if value is not None else None

    @staticmethod
    def _entered(flown: Flown, phases: Sequence[str | None]) -> dict[str, tuple[int, int]]:
        first: dict[str, tuple[int, int]] = {}
        for number, phase in enumerate(phases):
            if phase is not None and phase not in first:
                first[phase] = number, flown.frames[number].time_us
        return first

    def _first_apart(self, flown: Flown, believed: Sequence[Believed | None]) -> Wrong | None:
        before: Frame | None = None
        alike_us = 0  # when both last controlled, or neither
        for number, (frame, theirs) in enumerate(zip(flown.frames, believed, strict=True)):
            if frame.answer is None or theirs is None:
                continue
            controls = self.reader.value(frame.answer, "control.enabled")
            alike = controls is None or bool(controls) == theirs.controls
            alike_us = frame.time_us if alike else alike_us
            wrong = self._apart(number, frame, theirs, alike)
            if wrong is None and frame.time_us - alike_us > CONTROL_WITHIN_S * 1e6 and not isinstance(controls, str):
                wrong = Wrong(APART, number, frame.time_us, "control.enabled", controls or 0.0, float(theirs.controls))
            if wrong is not None:
                return replace(wrong, began=tuple(changes(self.reader, before, frame)))
            before = frame
        return None

    def _apart(self, number: int, frame: Frame, theirs: Believed, alike: bool) -> Wrong | None:
        answer, bounds = frame.answer, self.bounds
        assert answer is not None
        told: Mapping[str, float] = {
            role: float(value)
            for role in theirs.state
            if (value := self.reader.value(answer, role)) is not None and not isinstance(value, str)
        }
        for role, value in told.items():
            bound = bound_of(role, bounds, theirs.deployed)
            if bound is not None and abs(value - theirs.state[role]) > bound:
                return Wrong(APART, number, frame.time_us, role, value, theirs.state[role])
        if not theirs.deployed and all(part in told for part in QUATERNION):
            turned = turn_between([told[part] for part in QUATERNION], [theirs.state[part] for part in QUATERNION])
            if turned > bounds.attitude_rad:
                return Wrong(APART, number, frame.time_us, ATTITUDE, math.degrees(turned), 0.0)
        fin = self.reader.value(answer, FINS)
        if (
            fin is not None
            and not isinstance(fin, str)
            and theirs.controls
            and alike
            and abs(fin - theirs.roll_command) > bounds.fin_rad
        ):
            return Wrong(APART, number, frame.time_us, FINS, fin, theirs.roll_command)
        return None


def strays(one: Believed, other: Believed, component: str, bounds: Bounds) -> bool:
    """Tell whether two computers of one kind are apart in what a wrong is about, by too great a part of its bound."""
    if component in one.state:
        bound = bound_of(component, bounds, one.deployed)
        return bound is not None and not abs(one.state[component] - other.state[component]) <= STRAY_SHARE * bound
    if component == ATTITUDE and all(part in one.state for part in QUATERNION):
        turned = turn_between([one.state[part] for part in QUATERNION], [other.state[part] for part in QUATERNION])
        return not one.deployed and not turned <= STRAY_SHARE * bounds.attitude_rad
    if component == FINS:
        return other.controls and not abs(one.roll_command - other.roll_command) <= STRAY_SHARE * bounds.fin_rad
    return (one.phase, one.deployed) != (other.phase, other.deployed)


def bound_of(role: str, bounds: Bounds, deployed: bool) -> float | None:
    """Return how far a component may be apart, None where it may be anything."""
    if role in ("position.up", "velocity.up"):
        return bounds.up_m if role == "position.up" else bounds.climb_m_s
    if role.startswith("position."):
        return bounds.position_m
    if role.startswith("velocity."):
        return bounds.velocity_m_s
    if role.startswith("body_rate.") and not deployed:
        return bounds.rate_rad_s
    if role == FINS and not deployed:
        return bounds.fin_rad
    return None


def believed_of(shadow: Shadow, flown: Flown) -> list[Believed | None]:
    """Play a run's stimuli to the twin's own computer; None for a moment without a step."""
    return [
        shadow.take(frame.stimuli[-1][1], [(name, values) for name, _, values in frame.stimuli]) if frame.stimuli else None
        for frame in flown.frames
    ]
