"""What a session does not tell of its flight, and why: one true reason for each figure that is absent.

A figure may lack its sensor in the dictionary, a unit something can be computed of, packets that arrived, a number in a
sheet, or the moment it follows. The first of these that is so is told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np

from server.analysis.judgements.case import SeriesSource
from server.analysis.roles import COMMANDED_FINS, FINS, POSITION, QUATERNION, VELOCITY
from server.analysis.trackers.gnss import PLACE
from server.analysis.trackers.role_columns import RoleColumns
from server.design.sheet_numbers import sheet_numbers_of
from server.review.moments import ROLL_RATE
from server.review.review import Review, heard
from server.review.summary_shape import Summary

FLIGHT = "flight"  # stands for every figure where nothing flew
BEFORE_S = 1.0  # lift-off may lie a little before the first packet that showed it


@dataclass(frozen=True)
class Need:
    """What a figure rests on, in words, and the groups of roles of which one whole group will do.

    A role may have [n] in it. `any_one`: a single role of a group will do.
    """

    words: str
    named: str
    groups: tuple[tuple[str, ...], ...]
    any_one: bool = False


HEIGHT = Need("height", "pressure or altitude_baro", (("pressure",), ("altitude_baro",)))
FORCE = Need("force along the nose", "accel.a.z or accel.b.z", (("accel.a.z",), ("accel.b.z",)))
ATTITUDE = Need("attitude", "attitude_quaternion.*", (QUATERNION,))
ROLLS = Need("roll rate", "body_rate.z, gyro.a.z or gyro.b.z", tuple((role,) for role in ROLL_RATE))
STEERED = Need("fins", f"{FINS} or {COMMANDED_FINS}", ((FINS,), (COMMANDED_FINS,)), any_one=True)
NAVIGATION = Need("speed by the vehicle's navigation", "velocity.* and position.up", ((*VELOCITY, POSITION[2]),))
SPOT = Need("place", "position.* or gnss.*", (POSITION, PLACE))
MOVES = Need("height and no force", "pressure, altitude_baro, accel.a.z or accel.b.z", (*HEIGHT.groups, *FORCE.groups))

Why = Callable[[Review, Summary], str]


@dataclass(frozen=True)
class Subject:
    """A figure: its name, whether it is told, what it rests on, and why it is absent where all of that is there."""

    name: str
    is_told: Callable[[Review, Summary], bool]
    needs: tuple[Need, ...]
    why: Why


def _number(key: str, name: str) -> Callable[[Review, Summary], bool]:
    return lambda review, summary: summary["figures"].get(key, {}).get(name) is not None


def _reason(key: str, otherwise: Why) -> Why:
    """Return what a figure itself says of why it has no number, or something else where it says nothing."""

    def why(review: Review, summary: Summary) -> str:
        body = summary["figures"].get(key, {})
        said = body.get("reason") or body.get("reason_text")
        return str(said) if said else otherwise(review, summary)

    return why


def _words(text: str) -> Why:
    return lambda review, summary: text


def _follows(key: str, moment: str, text: str) -> Why:
    """Return words where a moment was seen, and that it was not where it was not."""

    def why(review: Review, summary: Summary) -> str:
        known: Mapping[str, object] = summary
        return f"no {moment} was seen" if known[key] is None else text

    return why


def _rail(review: Review, summary: Summary) -> str:
    if sheet_numbers_of(*review.session.header.sheets).rail_length_m is None:
        return "the vehicle's sheet gives no length of the rail (rail_length_m)"
    return "too little was heard on the rail"


def _not_landed(review: Review, summary: Summary) -> str:
    if summary["apogee"] is None:
        return "no apogee was seen"
    rows = review.output.rows.get("ground_vertical")
    known = np.zeros(0) if rows is None else rows.numbers("height_raw")
    known = known[np.isfinite(known)]
    return "no rest on the ground was heard" + (f"; the last height heard was {known[-1]:.0f} m" if len(known) else "")


def _is_foretold(review: Review, summary: Summary) -> bool:
    rows = review.output.rows.get("ground_apogee")
    return rows is not None and bool(np.isfinite(rows.numbers("predicted")).any())


def _rolled(review: Review, summary: Summary) -> bool:
    return any(found is not None and bool(np.isfinite(found[1]).any()) for found in (heard(review, r) for r in ROLL_RATE))


SUBJECTS = (
    Subject(
        "burnout", lambda r, s: s["burnout"] is not None, (FORCE,), _words("no end of the boost was seen in the forces")
    ),
    Subject("rail exit", _number("rail_exit", "speed_m_s"), (FORCE,), _reason("rail_exit", _rail)),
    Subject("apogee", lambda r, s: s["apogee"] is not None, (HEIGHT,), _words("no fall after the climb was heard")),
    Subject(
        "greatest speed",
        _number("greatest_speed", "speed_m_s"),
        (MOVES,),
        _reason("greatest_speed", _words("neither burnout nor apogee was seen")),
    ),
    Subject(
        "predicted apogee",
        _is_foretold,
        (HEIGHT,),
        _words("no prediction between burnout and apogee was sure enough to be told"),
    ),
    Subject(
        "descent",
        _number("descent", "rate_m_s"),
        (HEIGHT,),
        _follows("apogee", "apogee", "too little was heard of the way down"),
    ),
    Subject("landing", lambda r, s: s["landing_t"] is not None, (HEIGHT,), _not_landed),
    Subject(
        "landing speed",
        _number("descent", "landing_m_s"),
        (HEIGHT,),
        _follows("landing_t", "landing", "too little was heard of the last seconds in the air"),
    ),
    Subject(
        "tilt",
        lambda r, s: s["greatest_tilt_deg"] is not None,
        (ATTITUDE,),
        _words("no attitude was heard between lift-off and apogee"),
    ),
    Subject("roll rate", _rolled, (ROLLS,), _words("no roll rate was heard")),
    Subject(
        "roll authority",
        _number("roll", "authority_per_pa_rad"),
        (ROLLS, STEERED, NAVIGATION),
        _reason("roll", _follows("apogee", "apogee", "too little was heard between rail and deployment")),
    ),
    Subject(
        "landing spot",
        _number("recovery", "landing_east_m"),
        (SPOT,),
        _follows("landing_t", "landing", "no place was heard after the landing"),
    ),
)


def absent(review: Review, summary: Summary) -> dict[str, str]:
    """Return each figure that a summary does not tell with the reason; a session without a lift-off has one for all."""
    lift_off_s = summary["lift_off_t"]
    if lift_off_s is None:
        return {FLIGHT: _lacking(review, MOVES, -inf) or "no lift-off was seen"}
    return {
        subject.name: _first_lacking(review, subject.needs, lift_off_s - BEFORE_S) or subject.why(review, summary)
        for subject in SUBJECTS
        if not subject.is_told(review, summary)
    }


def _first_lacking(review: Review, needs: Sequence[Need], since_s: float) -> str | None:
    return next((words for need in needs if (words := _lacking(review, need, since_s)) is not None), None)


def _lacking(review: Review, need: Need, since_s: float) -> str | None:
    """Return what of a need is not there; None where it was heard since a time (timeline s)."""
    declared, usable = review.dictionary.roles, RoleColumns(review.dictionary.roles).roles
    groups = [SeriesSource(roles=group).bound_to(declared).roles for group in need.groups]
    most = any if need.any_one else all
    whole = [group for group in groups if group and most(role in usable for role in group)]
    if not whole:
        wrong = next((role for group in groups for role in group if role in declared and role not in usable), None)
        if wrong is not None:
            channel = declared[wrong]
            given = "as a text" if channel.kind == "text" else f"in {channel.unit}"
            return f"{wrong} is declared {given}, of which nothing can be computed"
        return f"no {need.words} in the dictionary ({need.named})"
    if not any(most(_is_heard(review, role, since_s) for role in group) for group in whole):
        packets = dict.fromkeys(f"packet {declared[role].packet}" for role in whole[0])
        return f"no {need.words} was heard in flight ({', '.join(packets)})"
    return None


def _is_heard(review: Review, role: str, since_s: float) -> bool:
    found = heard(review, role)
    return found is not None and bool(np.isfinite(found[1][found[0] >= since_s]).any())
