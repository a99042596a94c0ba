"""The goals of a flight judged on its recording: met, not met or not tested, each with its evidence. A pure function.

What is not told is never taken for "not met": a gap in what was heard in which the matter could have been decided, a role
or figure the recording lacks, a flight without lift-off or landing give "not tested" with the reason.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from math import isfinite, nan

import numpy as np

from protocol.arrays import Floats
from server.design.goals import Card, Goal, GoalFault, card_of
from server.flight.units import METRIC, Units
from server.review.summary_shape import JudgedCard, JudgedGoal
from server.telemetry.tables import TableSpec

GAP_S = 1.0  # our choice: ten packets of the slowest flags; what a flag did in a longer silence nobody can tell
MET, NOT_MET, NOT_TESTED = "met", "not met", "not tested"


Outcome = tuple[str, str, float | None]


@dataclass(frozen=True)
class Flown:
    """What goals are judged by: the flight's moments (timeline s), its figures, and `heard`.

    `heard(table, column)` returns (t, values) of all rows, or None for a table of which nothing came.
    """

    sheet: Mapping[str, object]
    specs: Mapping[str, TableSpec]
    heard: Callable[[str, str], tuple[Floats, Floats] | None]
    lift_off: float | None
    landing: float | None
    figures: Mapping[str, Mapping[str, object]]


def judged_card(flown: Flown) -> JudgedCard | None:
    """Return the card of the flight's own sheet, judged; None for a sheet without one. Times are timeline seconds."""
    try:
        card = card_of(flown.sheet)
    except GoalFault as problem:  # of a recording made elsewhere
        unread: JudgedGoal = {"what": "Goals", "kind": "", "outcome": NOT_TESTED, "evidence": f"{problem}", "t": None}
        return {"goals": [unread], "on_trial": []}
    if card == Card():
        return None
    goals = [_judged(goal, flown) for goal in card.goals]
    return {"goals": goals, "on_trial": list(card.on_trial)}


def _judged(goal: Goal, flown: Flown) -> JudgedGoal:
    if flown.lift_off is None:
        outcome: Outcome = (NOT_TESTED, "no lift-off was seen", None)
    elif goal.kind == "figure":
        outcome = _figure(goal, flown.figures)
    elif flown.landing is None:
        outcome = (NOT_TESTED, "no landing was seen", None)
    else:
        outcome = _flags(goal, flown, flown.lift_off, flown.landing)
    said, evidence, t = outcome
    at = None if t is None or not isfinite(t) else round(t, 3)
    return {"what": goal.what, "kind": goal.kind, "outcome": said, "evidence": evidence, "t": at}


def _figure(goal: Goal, figures: Mapping[str, Mapping[str, object]]) -> Outcome:
    body = figures.get(goal.figure, {})
    value, t = body.get(goal.number), body.get("t")
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        return NOT_TESTED, f"the flight has no {goal.number.replace('_', ' ')} under {goal.figure.replace('_', ' ')}", None
    low, high = goal.at_least, goal.at_most
    good = (low is None or value >= low) and (high is None or value <= high)
    bounds = [f"{word} {bound:g}" for word, bound in (("at least", low), ("at most", high)) if bound is not None]
    return MET if good else NOT_MET, f"{value:.3g} ({', '.join(bounds)})", float(t) if isinstance(t, int | float) else None


def _flags(goal: Goal, flown: Flown, lift_off: float, landing: float) -> Outcome:
    judged: list[Outcome] = []
    for role in goal.roles:
        found = _flag(flown, role, lift_off, landing)
        if isinstance(found, str):
            judged.append((NOT_TESTED, found, None))
        elif goal.kind == "seen":
            judged.append(_seen(*found, lift_off, landing))
        elif goal.kind == "on_for":
            judged.append(_on_for(*found, lift_off, landing, goal.at_least_s))
        else:
            judged.append(_on_to_landing(*found, lift_off, landing))
    worst = max(judged, key=lambda one: (MET, NOT_TESTED, NOT_MET).index(one[0]))
    if len(judged) == 1:
        return worst
    told = "; ".join(f"{_words(role)}: {evidence}" for role, (_, evidence, _) in zip(goal.roles, judged, strict=True))
    return worst[0], told, worst[2]


def _words(role: str) -> str:
    """Return a role as people read it: recovery 1 fired."""
    return " ".join(re.findall(r"\w+", role.replace("_", " ")))


def _flag(flown: Flown, role: str, lift_off: float, landing: float) -> tuple[Floats, Floats] | str:
    """Return a role's times and values in flight, or why there are none."""
    for spec in flown.specs.values():
        for channel in spec.columns:
            if channel.role != role:
                continue
            if channel.kind != "flag":
                return f"{role} is no flag"
            heard = flown.heard(spec.name, channel.name)
            if heard is None:
                return f"{role} was never heard"
            t, values = heard
            chosen = (t >= lift_off) & (t <= landing) & np.isfinite(values)
            if not chosen.any():
                return f"{role} was not heard in flight"
            order = np.argsort(t[chosen], kind="stable")
            return t[chosen][order], values[chosen][order]
    return f"this vehicle does not tell {role}"


def _longest_gap_s(t: Floats, lift_off: float, landing: float) -> float:
    return float(np.diff(np.concatenate(([lift_off], t, [landing]))).max())


def _seen(t: Floats, on: Floats, lift_off: float, landing: float) -> Outcome:
    if on.any():
        first = float(t[np.argmax(on != 0)])
        return MET, f"seen at T+{first - lift_off:.1f} s", first
    gap_s = _longest_gap_s(t, lift_off, landing)
    if gap_s > GAP_S:
        return NOT_TESTED, f"never seen, but nothing was heard for {gap_s:.1f} s", None
    return NOT_MET, "never seen from lift-off to landing", None


def _on_for(t: Floats, on: Floats, lift_off: float, landing: float, wanted_s: float) -> Outcome:
    """The longest stretch lies between what was heard on, and what was heard off before and after."""
    least_s, most_s, start = 0.0, 0.0, nan
    edges = np.flatnonzero(np.diff(np.concatenate(([0.0], (on != 0).astype(float), [0.0]))))
    for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
        before = t[first - 1] if first > 0 else lift_off
        after = t[last + 1] if last + 1 < len(t) else landing
        # Across a silence within the stretch nobody knows: what surely was on is the longest part without one.
        parts, begin = [], float(t[first])
        for one, other in pairwise(t[first : last + 1]):
            if other - one > GAP_S:
                parts.append((float(one) - begin, begin))
                begin = float(other)
        parts.append((float(t[last]) - begin, begin))
        sure_s, sure_t = max(parts)
        if sure_s >= least_s:
            least_s, start = sure_s, sure_t
        most_s = max(most_s, float(after - before))
    gap_s = _longest_gap_s(t, lift_off, landing)
    most_s = max(most_s, gap_s if gap_s > GAP_S else 0.0)
    at = start if isfinite(start) else None
    if least_s >= wanted_s:
        return MET, f"on for {least_s:.1f} s from T+{start - lift_off:.1f} s", at
    if most_s < wanted_s:
        return NOT_MET, f"on for at most {most_s:.1f} s" if most_s else "never on", at
    return NOT_TESTED, f"on for {least_s:.1f} to {most_s:.1f} s: what was heard cannot tell", at


def _on_to_landing(t: Floats, on: Floats, lift_off: float, landing: float) -> Outcome:
    off = np.flatnonzero(on == 0)
    if len(off):
        first = float(t[off[0]])
        return NOT_MET, f"off at T+{first - lift_off:.1f} s, {landing - first:.1f} s before it had landed", first
    gap_s = _longest_gap_s(t, lift_off, landing)
    if gap_s > GAP_S:
        return NOT_TESTED, f"on whenever heard, but nothing was heard for {gap_s:.1f} s", None
    return MET, f"on from lift-off to landing, heard {len(t)} times", float(t[-1])


def goals_html(card: JudgedCard | None, units: Units = METRIC) -> str:
    """Return the report's section on the goals, "" for a flight without any."""
    if card is None:
        return ""
    rows = "".join(
        f"<tr><td><b>{escape(goal['outcome'])}</b></td><td>{escape(units.said(goal['what']))}</td><td>{escape(units.said(goal['evidence']))}</td></tr>"
        for goal in card["goals"]
    )
    trial = f"<p>On trial: {escape(', '.join(card['on_trial']))}.</p>" if card["on_trial"] else ""
    return f"<h2>What this flight was for</h2><table>{rows}</table>{trial}"
