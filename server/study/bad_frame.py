"""What came before a frame of the state vector that is no number, or before the firmware's own guard acted."""

from __future__ import annotations

import numpy as np

from protocol.arrays import Bools, Floats
from server.analysis.figures.control import GuardFigure
from server.analysis.judgements.case import Case
from server.analysis.roles import STATE_VECTOR
from server.flight.inertial.precursors import (
    AT_END,
    FEWEST_FRAMES,
    JUMPED,
    LENGTH,
    NO_NUMBER,
    NO_TIME,
    POSITION,
    QUATERNION,
    RATES,
    SMALL,
    STUCK,
    SURE,
    SWITCHED,
    VELOCITY,
    Clue,
    Flown,
    Sensor,
    Switch,
    Verdict,
    bad_frames,
    what_came_before,
)
from server.study.study import Number, Study

SUBJECT, TITLE = "bad-frame", "What came before a frame that is no number"
PAD_S = 60.0
APART_S = 1.0  # bad frames further apart are another case
CASES_AT_MOST = 3
SHOWN = 4
SEEN = 0.02  # a precursor that as many frames show means something
PARTS = (("position", POSITION), ("velocity", VELOCITY), ("the attitude quaternion", QUATERNION), ("body rates", RATES))
SWITCHES = {
    "control.enabled": "active control",
    "control.gate.altitude_met": "the gate's altitude condition",
    "control.gate.speed_met": "the gate's speed condition",
    "deployment": "deployment",
    "separation": "the separation switch",
}
ADVICE = {
    SWITCHED: "Look at what the program does for the first time there: a time since it began that is zero in its first "
    "step, a reference or filter that is not set yet, a quotient by either.",
    SMALL: "Look for a quotient by it, and give that a floor or another branch.",
    JUMPED: "Look at what the estimator does with such a sample: let it refuse one that no motion can make.",
    AT_END: "Look at what the estimator makes of a value at the end of its range, and of a root or arc sine of it.",
    STUCK: "Look at what is divided by a change or a scatter of it: both are zero while a sensor stands still.",
    NO_TIME: "Look for a quotient by the step of time, and refuse a step that is zero or negative.",
    LENGTH: "Make the quaternion's length one after each step, and look for what lets it drift.",
    NO_NUMBER: "Refuse a sample that is no number where it is read.",
}
GUARD_ADVICE = "The guard held the last valid state: its first act is the frame to look at in the onboard log."


def study(case: Case) -> Study:
    """Return the study."""
    flown = _flown(case)
    guard = case.figures.get(GuardFigure)
    places = _first_of_each(flown)
    if not places and guard is None:
        text = "No frame of the state vector was heard." if not len(flown.t) else "Every frame that was heard is a number."
        return Study(SUBJECT, TITLE, (text,))
    said: list[str] = []
    advice: list[str] = []
    numbers: list[Number] = []
    lift_off = case.t_of("lift_off")
    for place in places[:CASES_AT_MOST]:
        verdict = _judged(case, flown, place)
        said += [_what(flown, place, lift_off), *_why(verdict)]
        numbers += _numbers(verdict)
        if verdict.likeliest is not None:
            advice.append(ADVICE[verdict.likeliest.kind])
    if len(places) > CASES_AT_MOST:
        said.append(f"{len(places) - CASES_AT_MOST} more such moments follow; the first ones are what to mend first.")
    if guard is not None:
        said += _guarded(case, flown, guard)
        advice.append(GUARD_ADVICE)
    return Study(SUBJECT, TITLE, said, list(dict.fromkeys(advice)), numbers)


def _flown(case: Case) -> Flown:
    lift_off = case.t_of("lift_off")
    start = -np.inf if lift_off is None else lift_off - PAD_S
    state = case.window("state", start, case.now_s)
    sensors = []
    for unit in "ab":
        window = case.window(f"unit_{unit}", start, case.now_s)
        for kind, name in (("accel", "accelerometer"), ("gyro", "gyro")):
            values = window.stack(*(f"{kind}.{unit}.{axis}" for axis in "xyz"))
            there = ~np.isnan(values).all(axis=1)
            sensors.append(Sensor(f"the {name} of unit {unit.upper()}", window.t[there], values[there], kind == "gyro"))
    pressure = case.window("pressure", start, case.now_s)
    sensors.append(Sensor("the barometer", pressure.t, pressure["pressure"][:, None]))
    control = case.window("control", start, case.now_s)
    switches = []
    for role, words in SWITCHES.items():
        known = np.flatnonzero(np.isfinite(control[role]))
        switches.append(Switch(words, control.t[known], control[role][known]))
    vectors = state.stack(*STATE_VECTOR)
    return Flown(state.t, vectors, sensors, switches, np.ones(len(state), dtype=bool))


def _first_of_each(flown: Flown) -> list[int]:
    """Return the places of the bad frames that begin a new case."""
    places: list[int] = []
    last = -np.inf
    for place in np.flatnonzero(bad_frames(flown)).tolist():
        if flown.t[place] - last > APART_S:
            places.append(place)
        last = flown.t[place]
    return places


def _judged(case: Case, flown: Flown, place: int) -> Verdict:
    """Hold a frame against those alike: in the air against those in the air, on the ground against those there."""
    alike = _alike(case, flown.t, float(flown.t[place]))
    return what_came_before(Flown(flown.t, flown.state, flown.sensors, flown.switches, alike), place)


def _alike(case: Case, t: Floats, at_s: float) -> Bools:
    lift_off, landing = case.t_of("lift_off"), case.t_of("landing")
    if lift_off is None:
        return np.ones(len(t), dtype=bool)
    flies = (t >= lift_off - 0.2) & (t <= (np.inf if landing is None else landing))
    is_flying = at_s >= lift_off - 0.2 and (landing is None or at_s <= landing)
    return np.asarray(flies if is_flying else ~flies, dtype=bool)


def _what(flown: Flown, place: int, lift_off: float | None) -> str:
    t = flown.t[place]
    run = np.flatnonzero(bad_frames(flown) & (flown.t >= t))
    many = next((k for k in range(1, len(run)) if run[k] > run[k - 1] + 1), len(run))
    sent = np.asarray(np.isfinite(flown.state).any(axis=0), dtype=bool)
    broken = np.asarray(~np.isfinite(flown.state[place]) & sent, dtype=bool)
    names = [name for name, part in PARTS if broken[part].any()]
    whole = [name for name, part in PARTS if sent[part].any() and not broken[part].any()]
    since = "" if lift_off is None else f", {t - lift_off:.2f} s after lift-off"
    frames = "one frame" if many == 1 else f"{many} frames"
    stayed = f"; {_listed(whole)} stayed whole" if whole else ""
    return f"In {frames} from {t:.2f} s on{since}, {_listed(names)} held what is no number{stayed}."


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _why(verdict: Verdict) -> list[str]:
    if verdict.looked_for == 0:
        return [f"Too few frames were heard to hold it against: {verdict.frames}, {FEWEST_FRAMES} are needed."]
    clue = verdict.likeliest
    against = f"{verdict.looked_for} precursors were looked for, each held against {verdict.frames} other frames"
    if clue is None:
        seen = [one for one in verdict.clues if one.chance < SEEN][:SHOWN]
        if not seen:
            return [f"None of its inputs did anything before it that it does not do elsewhere: {against}."]
        return [
            "No input stands out as the cause. What was seen before it and seldom elsewhere: "
            f"{'; '.join(_with_share(one) for one in seen)}. {against}."
        ]
    sure = "Most likely" if clue.share >= SURE else "Likely, but not surely,"
    return [
        f"{sure} ({clue.share:.0%}) it has to do with {clue.what}: {clue.words}, as before {_rarely(clue, verdict)} other "
        f"frames ({against})."
    ]


def _rarely(clue: Clue, verdict: Verdict) -> str:
    others = round(clue.chance * (verdict.frames + 1)) - 1
    return f"{others} of {verdict.frames}" if others else "none of the"


def _with_share(clue: Clue) -> str:
    return f"{clue.words} ({clue.share:.0%})"


def _numbers(verdict: Verdict) -> list[Number]:
    """Return the precursors seen, surest first, as shares."""
    return [
        Number(clue.words, 100.0 * clue.share, unit="%", note=f"so much in {clue.chance:.2%} of other frames")
        for clue in verdict.clues[:SHOWN]
        if clue.share > 0.01
    ]


def _guarded(case: Case, flown: Flown, guard: GuardFigure) -> list[str]:
    said = [f"{guard.sentence[0].upper()}{guard.sentence[1:]}."]
    at_s = guard.first_time_s
    if at_s is None or at_s != at_s or len(flown.t) < FEWEST_FRAMES:
        return [*said, "When the guard acted first was not sent, so that nothing can be said of what came before."]
    place = int(np.clip(np.searchsorted(flown.t, at_s), 0, len(flown.t) - 1))
    if abs(flown.t[place] - at_s) > APART_S:
        return [*said, "No frame was heard near the moment it acted first."]
    return [*said, *_why(_judged(case, flown, place))]
