"""How much of the lean each cause is answerable for: the fitted flight flown again without it.

The share of a cause is the lean as fitted less the lean without that cause and with all others, at the same time after the
rail. The equation is not linear and causes help each other (a weak motor does nothing without wind), so that shares need not
add up to the lean: each answers "what if this alone had been different?". Intervals: the fit's doubt carried over by flights
moved along each of its directions, widened (`WIDER`) since the doubt is of the equation as written.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import degrees, erfc, hypot, sqrt

import numpy as np

from protocol.arrays import Floats
from server.flight.causes.course import Evidence, drive_of, exit_with, tilt_of
from server.flight.causes.equation import Drive, Terms, flown
from server.flight.causes.fit import Fit

STEP_SIGMAS = 0.5  # a difference over half a sigma sees a little of what bends
Z95 = 1.959964
ANYWHERE = 90.0
MOTOR_DEG = 0.6  # one sigma of what a curve of another shape changes; our choice
# Both set on the ensemble's odd half (tests/accuracy/causes): of intervals, and of the margin where its sign is asked.
WIDER, MARGIN_WIDER = 1.9, 1.3
STABLE_CALIBERS = 1.0  # what an unstable vehicle is compared with

TIP_OFF, WIND, GUST, LINE, ASKEW, FINS, ROLL, MOTOR, UNSTABLE = (
    "tip-off", "mean wind", "gust", "thrust off its axis", "fins askew", "fin deflection", "roll", "motor",
    "negative margin",
)  # fmt: skip


@dataclass(frozen=True)
class Share:
    """Degrees of lean due to a cause with a 95 % interval, and where it took the nose: east and north, degrees."""

    cause: str
    deg: float
    low_deg: float
    high_deg: float
    toward_deg: tuple[float, float]


@dataclass(frozen=True)
class Shares:
    """The lean as fitted and the rail's, when, the shares, the least margin (calibers) in the window with its interval."""

    at_s: float
    lean_deg: float
    rail_deg: float
    shares: tuple[Share, ...]
    margin: float
    margin_low: float
    margin_high: float
    wind_m_s: tuple[float, float]  # east, north of the whole wind, mean over the window at the vehicle
    gust_m_s: float  # the greatest part beyond the mean
    end_deg: float  # the lean at the window's end

    @property
    def odds_unstable(self) -> float:
        """The chance that the margin was negative somewhere in the window, by its doubt as a normal distribution."""
        sigma = max((self.margin_high - self.margin_low) / (2.0 * Z95 * WIDER) * MARGIN_WIDER, 1e-6)
        return 0.5 * erfc(self.margin / sigma / sqrt(2.0))

    def of(self, cause: str) -> Share | None:
        """Return the share of a cause."""
        return next((share for share in self.shares if share.cause == cause), None)


def _without_tip_off(fit: Fit, terms: Terms) -> Terms:
    rail = np.repeat(fit.unknowns.course.rail[:, None], terms.count, axis=1)
    return replace(terms, nose=rail, turn=np.zeros_like(terms.turn))


SWITCHES: dict[str, Callable[[Fit, Terms], Terms]] = {
    TIP_OFF: _without_tip_off,
    WIND: lambda _, terms: replace(terms, mean_wind=np.zeros_like(terms.mean_wind)),
    GUST: lambda _, terms: replace(terms, gust=np.zeros_like(terms.gust)),
    LINE: lambda _, terms: replace(terms, thrust_line=np.zeros_like(terms.thrust_line)),
    ASKEW: lambda _, terms: replace(terms, askew=np.zeros_like(terms.askew)),
    FINS: lambda _, terms: replace(terms, fin_push=np.zeros_like(terms.fin_push)),
}


def shares_of(fit: Fit, seen: Evidence, thrust_of_declared: tuple[float, float] | None = None) -> Shares:
    """Return the decomposition; `thrust_of_declared` is thrust over the declared one and its sigma, where known."""
    terms, drive, body = fit.moved(STEP_SIGMAS), fit.unknowns.drive, fit.unknowns.body
    whole = _end(fit, drive, terms)
    ends = {cause: _end(fit, drive, off(fit, terms)) for cause, off in SWITCHES.items()}
    if not np.any(drive.fin_sums):
        del ends[FINS]
    still = drive_of(seen, fit.unknowns.course, body, roll_stands=True)
    ends[ROLL] = _end(fit, still, terms)
    lever = _lever_calibers(fit, terms)
    least = lever.min(axis=0)
    if least[0] < 0.0:
        ends[UNSTABLE] = _end(fit, drive, terms, STABLE_CALIBERS * body.diameter_m)
    more: dict[str, float] = {}
    if thrust_of_declared is not None:
        share, sigma = thrust_of_declared
        ends[MOTOR] = _declared(fit, seen, terms, 1.0 / share)
        other = _declared(fit, seen, fit.terms, 1.0 / max(share - sigma, 0.1))
        more[MOTOR] = MOTOR_DEG + degrees(abs(float(tilt_of(other)[0] - tilt_of(ends[MOTOR])[0])))
    lean = np.degrees(tilt_of(whole))
    wind = terms.mean_wind[:, 0] + terms.gust[:, :, 0].mean(axis=0)
    low, high = _interval(least)
    return Shares(
        at_s=fit.unknowns.course.at_s,
        lean_deg=float(lean[0]),
        rail_deg=degrees(float(tilt_of(fit.unknowns.course.rail))),
        shares=tuple(_share(cause, whole, end, more.get(cause, 0.0)) for cause, end in ends.items()),
        margin=float(least[0]),
        margin_low=low,
        margin_high=high,
        wind_m_s=(float(wind[0]), float(wind[1])),
        gust_m_s=float(np.sqrt((terms.gust[:, :, 0] ** 2).sum(axis=1)).max()),
        end_deg=degrees(float(tilt_of(fit.unknowns.course.nose[-1]))),
    )


def _share(cause: str, whole: Floats, end: Floats, more_deg: float) -> Share:
    share = np.degrees(tilt_of(whole) - tilt_of(end))
    low, high = _interval(share, more_deg)
    moved = np.degrees(whole[:2, 0] - end[:2, 0])
    return Share(cause, float(share[0]), low, high, (float(moved[0]), float(moved[1])))


def _interval(values: Floats, more: float = 0.0) -> tuple[float, float]:
    """Return the widened 95 % interval of a quantity by its values at the fit and moved along each direction of the doubt.

    `more`: a sigma of another source.
    """
    # A flight that is no number any more may have gone anywhere.
    moved = np.nan_to_num(values[1:] - values[0], nan=ANYWHERE) / STEP_SIGMAS
    reach = WIDER * Z95 * hypot(float(np.sqrt(moved @ moved)), more)
    return float(values[0]) - reach, float(values[0]) + reach


def _end(fit: Fit, drive: Drive, terms: Terms, lever_m: float | None = None) -> Floats:
    """Return the nose (3, b) when the lean is told."""
    nose = flown(drive, terms, lever_m)[0]
    place = min(fit.unknowns.course.at_s / (2.0 * drive.half_s), drive.steps - 1e-9)
    left = int(place)
    end: Floats = nose[left] + (place - left) * (nose[left + 1] - nose[left])
    return end


def _lever_calibers(fit: Fit, terms: Terms) -> Floats:
    drive = fit.unknowns.drive
    whole = 2.0 * drive.half_s * np.arange(drive.steps + 1) <= fit.unknowns.course.end_s + 1e-9
    lever = drive.lever_m[::2, None] + terms.lever_m + drive.burned[::2, None] * terms.lever_burn_m
    calibers: Floats = lever[whole] / fit.unknowns.body.diameter_m
    return calibers


def _declared(fit: Fit, seen: Evidence, terms: Terms, times: float) -> Floats:
    """Return the nose had thrust been `times` as much all the time, from the rail on."""
    faster = replace(terms, velocity=terms.velocity * exit_with(seen, fit.unknowns.body, times)[1] / seen.exit_m_s)
    return _end(fit, drive_of(seen, fit.unknowns.course, fit.unknowns.body, thrust_times=times), faster)
