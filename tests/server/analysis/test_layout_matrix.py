"""Twelve dictionaries times three flights: every figure right within what is promised of it, or absent for a true reason.

Which figures each layout can tell stands in `LACKS`: everything else must be there. A reason that is told is looked up in
`REASONS`, which says when it is true.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from math import nan

import numpy as np
import pytest

from server.review.moments import ROLL_RATE, shown_first
from tests.accuracy.recorded.told import Heard
from tests.server.analysis.layouts import AUTHORITY, FLIGHTS, LAYOUTS, Trial, away_m, roles_of, told_by, trial
from tests.server.analysis.outside import SURE, apogee_m, moment, predicted

FORCES = {"accel.a.z", "accel.b.z"}
PLACES = {"position.east", "gnss.latitude"}
FIGURES = (
    *("lift-off", "burnout", "rail exit", "apogee", "greatest speed", "descent", "landing", "landing speed"),
    *("predicted apogee", "tilt", "roll rate", "roll authority", "landing spot"),
)


@dataclass(frozen=True)
class Found:
    """What was told of a figure (NaN: nothing), what is true, and how far apart they may be."""

    told: float
    true: float
    within: float

    @property
    def is_right(self) -> bool:
        """Whether it is told as well as promised."""
        return abs(self.told - self.true) <= self.within


Read = Callable[[Heard, Trial], list[Found]]


def _at(key: str, moment_name: str, within_s: float) -> Read:
    def read(heard: Heard, one: Trial) -> list[Found]:
        told = moment(heard, key)
        return [Found(nan if told is None else told, one.flight.moments[moment_name], within_s)]

    return read


def _lift_off(heard: Heard, one: Trial) -> list[Found]:
    """Within 50 ms where a force is measured; by the barometer alone within its own sigma."""
    told = moment(heard, "lift_off_t")
    has_force = bool(FORCES & set(heard.review.dictionary.roles))
    within = 0.05 if has_force else min(SURE * heard.number("lift_off", "sigma_s"), 0.5)
    return [Found(nan if told is None else told, one.flight.moments["lift_off"], within)]


def _apogee(heard: Heard, one: Trial) -> list[Found]:
    true, told = one.flight.moments["apogee"], apogee_m(heard)
    return [Found(nan if told is None else told, true, 0.01 * true)]


def _number(figure: str, name: str, true: Callable[[Trial], float], share: float) -> Read:
    def read(heard: Heard, one: Trial) -> list[Found]:
        return [Found(heard.number(figure, name), true(one), share * true(one))]

    return read


def _descent(heard: Heard, one: Trial) -> list[Found]:
    """Every stage there was, in order, and no other."""
    told = heard.figure("descent").get("stages")
    true = [one.flight.moments[name] for name in ("deployed_rate", "main_rate") if name in one.flight.moments]
    rates = [float(stage["rate_m_s"]) for stage in told] if isinstance(told, list) else []
    if not rates:
        return [Found(nan, true[0], 0.0)]
    assert len(rates) == len(true), f"{told} for {true}"
    return [Found(rate, real, 0.1 * real) for rate, real in zip(rates, true, strict=True)]


def _predicted(heard: Heard, one: Trial) -> list[Found]:
    """Up to 3 s after burnout, or a second before the top where the coast is shorter than that."""
    m = one.flight.moments
    told = predicted(heard, one.flight, min(3.0, m["apogee_time"] - m["burnout"] - 1.0))
    return [Found(told.value, m["apogee"], 0.08 * m["apogee"])]


def _tilt(heard: Heard, one: Trial) -> list[Found]:
    """Over the climb, in degrees: 95 % of the frames; and the lean of the rail as it is told with lift-off."""
    rows, m = heard.review.output.rows.get("ground_motion"), one.flight.moments
    rail = np.degrees(heard.number("lift_off", "rail_tilt_rad"))
    if rows is None:
        assert np.isnan(rail), f"a rail {rail:.2f} deg off the vertical, without an attitude"
        assert heard.summary["greatest_tilt_deg"] is None
        return [Found(nan, 0.0, 0.0)]
    t = rows.t + heard.log_zero_s
    climbs = (t > m["lift_off"]) & (t < m["apogee_time"])
    off = np.degrees(np.abs(rows.numbers("tilt")[climbs] - np.interp(t[climbs], one.flight.t, one.tilt)))
    stood = float(np.degrees(one.tilt[int(np.searchsorted(one.flight.t, m["lift_off"])) - 1]))
    return [Found(float(np.percentile(off, 95)), 0.0, 1.5), Found(rail, stood, 1.5)]


def _roll_rate(heard: Heard, one: Trial) -> list[Found]:
    """Over the climb, in degrees a second, as the report draws it: 95 % of the frames."""
    found, m = shown_first(heard.review, ROLL_RATE), one.flight.moments
    if found is None:
        return [Found(nan, 0.0, 0.0)]
    t, values, unit = found
    t, in_deg = t + heard.log_zero_s, 1.0 if unit == "deg/s" else np.degrees(1.0)
    climbs = (t > m["lift_off"]) & (t < m["apogee_time"])
    off = values[climbs] * in_deg - np.degrees(np.interp(t[climbs], one.flight.t, one.roll_rad_s))
    return [Found(float(np.percentile(np.abs(off), 95)), 0.0, 5.0)]


def _authority(heard: Heard, one: Trial) -> list[Found]:
    """Inside its own interval, as wide as a normal error needs once in a hundred, and that telling something."""
    told, sigma = heard.number("roll", "authority_per_pa_rad"), heard.number("roll", "sigma")
    return [Found(told, AUTHORITY, min(SURE * sigma, 0.75 * AUTHORITY + 0.3))]


def _greatest_speed(heard: Heard, one: Trial) -> list[Found]:
    """Within 5 %, or inside its own interval, as wide as a normal error needs once in a hundred."""
    true = one.flight.moments["greatest_speed"]
    told, sigma = heard.number("greatest_speed", "speed_m_s"), heard.number("greatest_speed", "sigma_m_s")
    return [Found(told, true, max(0.05 * true, SURE * sigma))]


def _spot(heard: Heard, one: Trial) -> list[Found]:
    return [Found(away_m(heard, one), 0.0, 5.0)]


READ: dict[str, Read] = {
    "lift-off": _lift_off,
    "burnout": _at("burnout", "burnout", 0.1),
    "rail exit": _number("rail_exit", "speed_m_s", lambda one: one.rail_exit_m_s, 0.05),
    "apogee": _apogee,
    "greatest speed": _greatest_speed,
    "descent": _descent,
    "landing": _at("landing_t", "landing", 1.0),
    "landing speed": _number("descent", "landing_m_s", lambda one: one.flight.moments["landing_speed"], 0.15),
    "predicted apogee": _predicted,
    "tilt": _tilt,
    "roll rate": _roll_rate,
    "roll authority": _authority,
    "landing spot": _spot,
}

BAROMETER = {"burnout", "rail exit", "tilt", "roll rate", "roll authority", "landing spot"}
ONE_UNIT = {"tilt", "roll authority", "landing spot"}
LACKS: dict[str, set[str]] = {
    "barometer only": BAROMETER,
    "altitude only": BAROMETER,
    "barometer and one axis": ONE_UNIT | {"roll rate"},
    "unit A, all in one packet": ONE_UNIT,
    "unit B only": ONE_UNIT,
    "attitude in a packet of its own": {"roll authority"},
    "each sensor in a packet of its own": set(),
    "fins commanded only": set(),
    "fins of other names": set(),
    "barometer and GNSS": BAROMETER - {"landing spot"},
    "units of beginners": set(),
    "everything in one packet": set(),
}

# (figure, what the reason says, when that is true of the roles declared).
REASONS: tuple[tuple[str, str, Callable[[frozenset[str]], bool]], ...] = (
    (
        "burnout|rail exit",
        r"no force along the nose in the dictionary \(accel\.a\.z or accel\.b\.z\)",
        lambda r: not r & FORCES,
    ),
    ("tilt", r"no attitude in the dictionary \(attitude_quaternion\.\*\)", lambda r: "attitude_quaternion.w" not in r),
    (
        "roll rate|roll authority",
        r"no roll rate in the dictionary \(body_rate\.z, gyro\.a\.z or gyro\.b\.z\)",
        lambda r: not r & {"body_rate.z", "gyro.a.z", "gyro.b.z"},
    ),
    ("roll authority", r"no fins in the dictionary .*", lambda r: not [role for role in r if role.startswith("fin[")]),
    ("landing spot", r"no place in the dictionary \(position\.\* or gnss\.\*\)", lambda r: not r & PLACES),
)


@cache
def heard_of(layout: str, flight: str) -> Heard:
    """Send a flight in a layout, once."""
    return told_by(LAYOUTS[layout], trial(flight))


@pytest.mark.parametrize("flight", FLIGHTS)
@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_figure_is_right_or_absent_for_a_true_reason(layout: str, flight: str) -> None:
    """Seen: figures absent without a word in all twelve layouts, and reasons that were not true."""
    heard, one, wrong = heard_of(layout, flight), trial(flight), []
    absent = heard.summary.get("absent", {})
    for name in FIGURES:
        found = READ[name](heard, one)
        is_told = not any(np.isnan(each.told) for each in found)
        if is_told != (name not in LACKS[layout]):
            wrong.append(f"{name}: {'told' if is_told else 'absent'} ({absent.get(name)})")
        elif is_told:
            wrong += [f"{name}: {each}" for each in found if not each.is_right]
            wrong += [f"{name}: told, and absent because of {absent[name]}"] if name in absent else []
        elif not is_true(name, absent.get(name, ""), roles_of(LAYOUTS[layout])):
            wrong.append(f"{name}: absent because of {absent.get(name)!r}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("flight", FLIGHTS)
@pytest.mark.parametrize("layout", LAYOUTS)
def test_nothing_is_found_wrong_with_a_flight_in_which_nothing_was(layout: str, flight: str) -> None:
    """No alarm, no finding, no fault of the station's own code, and no figure with a reason that is not true."""
    heard = heard_of(layout, flight)
    assert heard.alarms() == [] and heard.findings() == [] and "faults" not in heard.summary
    swing, roles = heard.figure("swing"), roles_of(LAYOUTS[layout])
    assert ("no attitude" in str(swing.get("reason"))) == (bool(swing) and "attitude_quaternion.w" not in roles)


def is_true(figure: str, reason: str, roles: frozenset[str]) -> bool:
    """Return whether a reason is one of the table's, told of a figure it belongs to, and true of these roles."""
    known = [when for figures, words, when in REASONS if figure in figures.split("|") and re.fullmatch(words, reason)]
    return len(known) == 1 and known[0](roles)
