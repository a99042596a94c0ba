"""Where and how the next flight may go: what many drawn flights say, as JSON shows it, and in sentences.

A region is no keep-out: people, site and angle go by the safety code and the range safety officer, and every form of it
says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import degrees, pi
from typing import NotRequired, TypedDict

import numpy as np

from protocol.arrays import Floats
from server.design.dispersion_basis import Day, Sheet, asked_of
from server.design.doubts import DoubtFault, doubts_told
from server.design.flight_basis import NextFlightProblem
from server.design.goals import GoalFault, card_of
from server.design.site_map import MapFault, Point, site_map_of
from server.flight.dispersion.flights import EARLY, LATE, NOMINAL, NONE, ONE, Flown, Progress, disperse
from server.flight.dispersion.regions import Band, band, inside, interval

FLIGHTS, FEWEST_FLIGHTS, MOST_FLIGHTS = 2000, 200, 20_000
CAUTION = (
    "A region is no keep-out: who stands where, the site and the angle go by the safety code and the range safety officer. "
    "One flight in twenty comes down outside it even if every doubt is told rightly."
)
PLACES_SHOWN = 300
TITLES = {
    NOMINAL: "as it should be",
    EARLY: "opens early, in the coast",
    LATE: "opens late",
    ONE: "only one of two opens",
    NONE: "nothing opens",
}


class Span(TypedDict):
    """A number's middle and its 95 % interval, SI units."""

    low: float
    middle: float
    high: float


class BandNumbers(TypedDict):
    """The ground that holds 95 %: range from the pad in m, bearings in degrees clockwise from north, area in m2."""

    near_m: float
    far_m: float
    from_deg: float
    over_deg: float
    area_m2: float


class CaseNumbers(TypedDict):
    """One way down: the band, the share outside the field's boundary (if it has one), the rate of descent, some places."""

    case: str
    title: str
    band: BandNumbers | None
    outside: float | None
    rate_m_s: NotRequired[Span | None]
    places: list[list[float]]


class UnderControl(TypedDict):
    """Seconds for which the gate is met, what the goal card needs (if it tells), and the chance of having them."""

    seconds: Span | None
    needs_s: float | None
    chance: float | None


class Dispersion(TypedDict):
    """What many flights say; the numbers are None where too few ever left the rail."""

    vehicle: str
    flights: int
    seed: int
    stuck: int
    numbers: dict[str, Span | None]
    control: UnderControl | None
    cases: list[CaseNumbers]
    has_boundary: bool
    said: list[str]
    lacks: list[str]
    sources: dict[str, str]
    doubts: dict[str, str]
    caution: str


def dispersion(
    vehicle: Sheet, site: Sheet, day: Day, flights: int, seed: int, heard: Progress = lambda done: None
) -> Dispersion:
    """Return what `flights` drawn flights say, the same for the same seed; `heard` may raise to end it.

    Raises NextFlightProblem and ConfigurationProblem.
    """
    try:
        asked = asked_of(vehicle, site, day)
    except DoubtFault as fault:
        raise NextFlightProblem(f"The sheet cannot be used: {fault}.") from fault
    flown = disperse(asked.question, flights, seed, heard)
    boundary = _boundary(site)
    told: Dispersion = {
        "vehicle": str(vehicle.get("name", "vehicle"))[:60],
        "flights": flights,
        "seed": seed,
        "stuck": flown.stuck,
        "numbers": {
            "apogee_m": _span(flown.apogee_m),
            "apogee_s": _span(flown.apogee_s),
            "rail_exit_speed_m_s": _span(flown.exit_speed_m_s),
            "angle_of_attack_rad": _span(flown.exit_attack_rad),
            "lean_rad": _span(flown.lean_rad),
            "greatest_speed_m_s": _span(flown.fastest_m_s),
        },
        "control": None if flown.control_s is None else _under_control(vehicle, flown.control_s),
        "cases": [_case(case, flown, boundary) for case in TITLES if case in flown.ground_m],
        "has_boundary": boundary is not None,
        "said": [],
        "lacks": list(asked.lacks),
        "sources": asked.sources,
        "doubts": doubts_told(asked.question.sigmas),
        "caution": CAUTION,
    }
    told["said"] = sentences(told)
    return told


def _span(values: Floats) -> Span | None:
    found = interval(values)
    return None if found is None else {"low": found.low, "middle": found.middle, "high": found.high}


def _boundary(site: Sheet) -> Sequence[Point] | None:
    try:
        return site_map_of(site).boundary
    except MapFault:
        return None


def _case(case: str, flown: Flown, boundary: Sequence[Point] | None) -> CaseNumbers:
    ground = flown.ground_m[case]
    down = ground[:, np.isfinite(ground).all(axis=0)]
    found = band(ground)
    outside = None if boundary is None or not down.shape[1] else 1.0 - float(inside(boundary, down).mean())
    told: CaseNumbers = {
        "case": case,
        "title": TITLES[case],
        "band": None if found is None else _band(found),
        "outside": outside,
        "places": np.round(down[:, :PLACES_SHOWN].T, 1).tolist(),
    }
    if case in flown.rate_m_s:
        told["rate_m_s"] = _span(flown.rate_m_s[case])
    return told


def _band(found: Band) -> BandNumbers:
    return {
        "near_m": found.near_m,
        "far_m": found.far_m,
        "from_deg": degrees(found.from_rad),
        "over_deg": degrees(found.over_rad),
        "area_m2": found.area_m2,
    }


def _under_control(vehicle: Sheet, seconds: Floats) -> UnderControl:
    needs = needed_control_s(vehicle)
    known = seconds[np.isfinite(seconds)]
    chance = None if needs is None or not len(known) else float((known >= needs).mean())
    return {"seconds": _span(seconds), "needs_s": needs, "chance": chance}


def needed_control_s(vehicle: Sheet) -> float | None:
    """Return how long the goal card wants control, None where it does not say."""
    try:
        goals = card_of(vehicle).goals
    except GoalFault:
        return None
    wanted = [goal.at_least_s for goal in goals if goal.kind == "on_for" and goal.roles == ("control.enabled",)]
    return max(wanted, default=None)


# ---------------------------------------------------------------- in sentences


def sentences(told: Dispersion) -> list[str]:
    """Return what a builder reads first: height and rail, control, where it comes down, what never left."""
    numbers, said = told["numbers"], []
    if told["stuck"]:
        said.append(f"{told['stuck']} of {told['flights']} never left the rail.")
    height, speed, attack = numbers["apogee_m"], numbers["rail_exit_speed_m_s"], numbers["angle_of_attack_rad"]
    if height is None or speed is None or attack is None:
        return [*said, "Too few left the rail to say more."]
    said.append(
        f"Apogee {_from_to(height)} m; speed at the rail's end {_from_to(speed, 1)} m/s, "
        f"angle of attack there {_from_to(attack, 0, 180.0 / pi)} deg."
    )
    control = told["control"]
    if control is not None and control["seconds"] is not None:
        words = f"Under control for {_from_to(control['seconds'], 1)} s"
        if control["chance"] is not None:
            words += f"; the {control['needs_s']:g} s that are needed come in {share_words(control['chance'])}"
        said.append(f"{words}.")
    for case in told["cases"]:
        if case["band"] is not None:
            said.append(f"{case['title'].capitalize()}: {band_words(case['band'])}{_outside_words(case['outside'])}.")
    return said


def _from_to(span: Span, digits: int = 0, factor: float = 1.0) -> str:
    return f"{span['low'] * factor:.{digits}f} to {span['high'] * factor:.{digits}f}"


def band_words(found: BandNumbers) -> str:
    """Return a band in words."""
    reach = f"{found['near_m']:.0f} to {found['far_m']:.0f} m from the pad"
    if found["over_deg"] > 359.0:
        return f"{reach}, all around"
    stop = (found["from_deg"] + found["over_deg"]) % 360.0
    return f"{reach}, bearing {found['from_deg']:03.0f} to {stop:03.0f} deg"


def share_words(share: float) -> str:
    """Return a share of the drawn flights that is never rounded to all or none."""
    if share in (0.0, 1.0):
        return "all of them" if share else "none of them"
    if 0.0 < share < 0.01:
        return "less than 1 % of them"
    if 0.99 < share < 1.0:
        return "more than 99 % of them"
    return f"{100.0 * share:.0f} % of them"


def _outside_words(outside: float | None) -> str:
    return "" if outside is None else f", {share_words(outside)} outside the field"
