"""What the station tells of a recording, quantity by quantity, from its summary and the tables behind it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, inf, nan, pi, radians, sin

import numpy as np

from server.review.review import Review
from server.review.summary import summarize
from server.review.summary_shape import Summary
from tests.accuracy.recorded.description import Known

Z_95 = 1.959964
CIRCLE_95 = 2.4477  # 95 % of a circular normal lie within so many sigma
PREDICTED_AFTER_S = 3.0
# Names under which a figure may tell one sigma of its number.
SIGMAS = ("sigma_m", "sigma_s", "sigma_m_s")


@dataclass(frozen=True)
class Told:
    """A number with one sigma (NaN: none told); `reason` is why there is no number, as far as the station says."""

    value: float = nan
    sigma: float = nan
    reason: str = ""
    east_m: float = nan
    north_m: float = nan

    @property
    def is_told(self) -> bool:
        """Whether there is a number."""
        return self.value == self.value


@dataclass(frozen=True)
class Heard:
    """One recording as the station reads it; `log_zero_s` is the log second of timeline second 0."""

    review: Review
    summary: Summary
    log_zero_s: float

    @classmethod
    def of(cls, review: Review, log_zero_s: float) -> Heard:
        """Summarize a recording."""
        return cls(review, summarize(review), log_zero_s)

    def figure(self, key: str) -> Mapping[str, object]:
        """Return a figure's body, empty when there is none."""
        return self.summary["figures"].get(key, {})

    def number(self, key: str, *names: str) -> float:
        """Return the first of some numbers of a figure that is there, NaN when none is."""
        return number_of(self.figure(key), *names)

    def alarms(self) -> list[str]:
        """Return the texts of the alarms raised."""
        return [str(one["text"]) for one in self.summary["alarms"]]

    def findings(self) -> list[str]:
        """Return the texts of the findings."""
        return [one["text"] for one in self.summary["findings"]]


def number_of(body: Mapping[str, object], *names: str) -> float:
    """Return the first of some numbers that is there, NaN when none is."""
    for name in names:
        value = body.get(name)
        if isinstance(value, int | float) and not isinstance(value, bool):
            return float(value)
    return nan


# What a summary calls the figures that it does not tell.
ABSENT = {"greatest_speed": "greatest speed", "recovery": "landing spot", "landing_speed": "landing speed"}


def _reason(heard: Heard, key: str) -> str:
    body, absent = heard.figure(key), heard.summary.get("absent", {})
    said = next((str(body[name]) for name in ("reason", "reason_text") if body.get(name)), "")
    return said or absent.get(ABSENT.get(key, key), "") or absent.get("flight", "")


def _moment(summary_key: str, figure: str) -> Callable[[Heard, Known], Told]:
    def told(heard: Heard, known: Known) -> Told:
        value = heard.summary.get(summary_key)
        t = value.get("t") if isinstance(value, dict) else value
        sigma = heard.number(figure, "sigma_s", "t_sigma_s", "time_sigma_s")
        return Told(nan if t is None else float(t) + heard.log_zero_s, sigma, _reason(heard, figure))

    return told


def _landing(heard: Heard, known: Known) -> Told:
    """The landing as the descent's judgement dates it, where it does; the moment otherwise."""
    t = heard.number("descent", "landing_t")
    told = _moment("landing_t", "landing")(heard, known)
    return told if t != t else Told(t + heard.log_zero_s, heard.number("descent", "landing_sigma_s"), told.reason)


def _apogee(heard: Heard, known: Known) -> Told:
    apogee = heard.summary["apogee"]
    sigma = heard.number("apogee", "sigma_m", "height_sigma_m", "barometer_sigma_m", "filter_sigma_m")
    return Told(nan if apogee is None else apogee["height_m"], sigma, _reason(heard, "apogee"))


def _greatest_speed(heard: Heard, known: Known) -> Told:
    for key in ("greatest_speed", "speed"):
        value = heard.number(key, "speed_m_s", "greatest_m_s")
        if value == value:
            return Told(value, heard.number(key, *SIGMAS), _reason(heard, key))
    for name in ("greatest_speed_m_s", "greatest_climb_m_s"):
        value = heard.summary.get(name)
        if isinstance(value, int | float):
            return Told(float(value), number_of(heard.summary, f"{name.removesuffix('_m_s')}_sigma_m_s"))
    return Told(reason=_reason(heard, "greatest_speed"))


def _predicted(heard: Heard, known: Known) -> Told:
    """The apogee as predicted by the last row up to `at_s`; without it up to 3 s after the burnout told."""
    rows, burnout = heard.review.output.rows.get("ground_apogee"), heard.summary["burnout"]
    until_s = inf if burnout is None else burnout["t"] + PREDICTED_AFTER_S
    if known.at_s is not None:
        until_s = known.at_s - heard.log_zero_s
    if rows is None or not len(rows):
        return Told(reason="no prediction in the recording")
    predicted = rows.numbers("predicted")
    chosen = np.flatnonzero(rows.t <= until_s)
    if not len(chosen):
        return Told(reason="no prediction by then")
    if not np.isfinite(predicted[chosen[-1]]):
        return Told(reason="withdrawn by then")
    low, high = (float(rows.numbers(name)[chosen[-1]]) for name in ("low", "high"))
    return Told(float(predicted[chosen[-1]]), (high - low) / (2.0 * Z_95))


def _descent_rate(heard: Heard, known: Known) -> Told:
    """The rate of the stage `at_s` lies in, where the descent is told in stages; the one rate of the descent otherwise."""
    body = heard.figure("descent")
    stages = body.get("stages", body.get("segments"))
    if isinstance(stages, list) and stages and known.at_s is not None:
        t = known.at_s - heard.log_zero_s
        # A stage is told up to when it was judged: the last that began holds on where no other is told.
        begun = [one for one in stages if number_of(one, "start_t") <= t]
        if not begun:
            return Told(reason="no stage told at that time")
        body = begun[-1]
    return Told(number_of(body, "rate_m_s"), number_of(body, "sigma_m_s", "rate_sigma_m_s"), _reason(heard, "descent"))


def _landing_speed(heard: Heard, known: Known) -> Told:
    value = heard.number("descent", "landing_m_s")
    return Told(value, heard.number("descent", "landing_sigma_m_s"), _reason(heard, "landing_speed"))


def _landing_spot(heard: Heard, known: Known) -> Told:
    east, north = (heard.number("recovery", f"landing_{side}_m") for side in ("east", "north"))
    sigma = heard.number("recovery", "landing_radius_m") / CIRCLE_95
    return Told(hypot(east, north), sigma, _reason(heard, "recovery"), east, north)


def _later_moment(key: str) -> Callable[[Heard, Known], Told]:
    def told(heard: Heard, known: Known) -> Told:
        t = heard.number(key, "t")
        return Told(t + heard.log_zero_s, heard.number(key, "sigma_s"), _reason(heard, key))

    return told


def _figure(key: str, value: str, sigma: str) -> Callable[[Heard, Known], Told]:
    return lambda heard, known: Told(heard.number(key, value), heard.number(key, sigma), _reason(heard, key))


def _parted(heard: Heard, known: Known) -> Told:
    return Told(heard.number("descent", "parted_t") + heard.log_zero_s)


@dataclass(frozen=True)
class Quantity:
    """How a quantity is read, its unit, and what is promised of it: an absolute bound or a share of the known value."""

    read: Callable[[Heard, Known], Told]
    unit: str
    bound: float = inf
    share: float = 0.0
    promised_under_loss: bool = False

    def allowed(self, known: Known) -> float:
        """Return the error the promise allows, the known value's own tolerance included."""
        return (self.share * abs(known.value or 0.0) if self.share else self.bound) + known.tolerance

    def promise(self) -> str:
        """Return the promise in words."""
        return f"{self.share:.0%}" if self.share else "" if self.bound == inf else f"{self.bound:g} {self.unit}"


QUANTITIES: dict[str, Quantity] = {
    "lift_off": Quantity(_moment("lift_off_t", "lift_off"), "s", bound=0.05),
    "burnout": Quantity(_moment("burnout", "burnout"), "s", bound=0.1),
    "ignition_2": Quantity(_later_moment("ignition_2"), "s", bound=0.1),
    "burnout_2": Quantity(_later_moment("burnout_2"), "s", bound=0.1),
    "opening": Quantity(_later_moment("opening"), "s", bound=0.5),
    "opening_climb": Quantity(_figure("opening", "climb_m_s", "sigma_m_s"), "m/s", share=0.15),
    "parted": Quantity(_parted, "s", bound=4.0),
    "kept_share": Quantity(_figure("descent", "parted_share_kept", "parted_share_sigma"), "", bound=0.15),
    "greatest_speed": Quantity(_greatest_speed, "m/s", share=0.05),
    "predicted_apogee": Quantity(_predicted, "m", share=0.08),
    "apogee": Quantity(_apogee, "m", share=0.01, promised_under_loss=True),
    "apogee_time": Quantity(_moment("apogee", "apogee"), "s"),
    "descent_rate": Quantity(_descent_rate, "m/s", share=0.1),
    "landing": Quantity(_landing, "s", bound=1.0),
    "landing_speed": Quantity(_landing_speed, "m/s", share=0.15),
    "landing_spot": Quantity(_landing_spot, "m", bound=5.0),
}


def error_of(known: Known, told: Told) -> float:
    """Return told minus known (for a spot the distance between them), NaN where nothing was told."""
    if known.distance_m is not None and known.bearing_deg is not None:
        bearing = radians(known.bearing_deg)
        return hypot(told.east_m - known.distance_m * sin(bearing), told.north_m - known.distance_m * cos(bearing))
    return told.value - (nan if known.value is None else known.value)


def told_text(known: Known, told: Told) -> str:
    """Return what was told in words."""
    if not told.is_told:
        return f"absent ({told.reason})" if told.reason else "absent, no reason told"
    if known.distance_m is not None:
        return f"{told.value:.1f} at {degrees(atan2(told.east_m, told.north_m) % (2.0 * pi)):.1f} deg"
    return f"{told.value:.3f}" if abs(told.value) < 1000.0 else f"{told.value:.1f}"
