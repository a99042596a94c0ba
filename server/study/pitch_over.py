"""Why it pitched over: what each cause was answerable for, in degrees of lean, and what to change."""

from __future__ import annotations

from collections.abc import Iterator
from math import atan2, degrees, hypot, isfinite

import numpy as np

from server.analysis.figures.ascent import ThrustFigure
from server.analysis.judgements.case import Case
from server.flight.causes.course import Evidence, exit_with, tilt_of
from server.flight.causes.equation import flown
from server.flight.causes.fit import Fit, fitted
from server.flight.causes.shares import MOTOR, UNSTABLE, Share, Shares, shares_of
from server.flight.causes.verdict import FROM_DEG, Verdict, verdict_of
from server.flight.unmeasured import Unmeasured
from server.study.pitch_advice import advice_of
from server.study.pitch_evidence import body_of, evidence_of, wind_of
from server.study.study import Line, Number, Picture, Study

SUBJECT, TITLE = "pitch-over", "Why it pitched over"
CAUTION = (
    "Guidance from one flight, by a fit that can be wrong: the range safety officer and your local rules decide. "
    "After a pitch-over, stand farther back at the next flight, not nearer."
)
HOW = (
    "How: the fitted flight is flown again without one cause at a time; a share is the lean with it less the lean without "
    "it. Causes help each other, so the shares need not add up to the lean."
)
WORDS = {
    "tip-off": "a tip-off at the rail's end",
    "mean wind": "the mean wind",
    "gust": "a gust",
    "thrust off its axis": "thrust beside the axis",
    "fins askew": "fins set askew, or a bent body",
    "fin deflection": "the fins' deflection",
    "roll": "the roll",
    MOTOR: "thrust apart from the declared curve",
    UNSTABLE: "the negative margin",
}
POOR_LEFT = 3.0  # times the doubt told before: what is left over is then more than the equation can be blamed for


def study(case: Case) -> Study:
    """Return why the nose went where it went after the rail, or why nobody can tell."""
    seen, body = evidence_of(case), body_of(case.facts)
    for one in (seen, body):
        if isinstance(one, Unmeasured):
            return _untold(one.reason)
    assert not isinstance(seen, Unmeasured) and not isinstance(body, Unmeasured)
    wind = wind_of(case)
    fit = fitted(seen, body, wind)
    if isinstance(fit, Unmeasured):
        return _untold(fit.reason)
    thrust = case.figures.get(ThrustFigure)
    share = None
    if thrust is not None and thrust.share is not None and thrust.share_sigma is not None:
        share = thrust.share, thrust.share_sigma
    shares = shares_of(fit, seen, share)
    verdict = verdict_of(shares)
    ratio = _exit_over_wind(seen, shares)
    return Study(
        subject=SUBJECT,
        title=TITLE,
        said=tuple(_said(fit, seen, shares, verdict, thrust, wind.source)),
        advice=advice_of(shares, verdict, seen.exit_m_s, ratio, share),
        numbers=tuple(_numbers(seen, shares, share)),
        pictures=(_tilt_picture(fit), _wind_picture(fit)),
        cautions=(CAUTION,),
    )


def _untold(reason: str) -> Study:
    return Study(SUBJECT, TITLE, (f"It cannot be told: {reason}.",))


def _exit_over_wind(seen: Evidence, shares: Shares) -> float:
    wind = hypot(*shares.wind_m_s)
    return seen.exit_m_s / wind if wind > 0.3 else float("inf")


# ---------------------------------------------------------------- sentences


def _said(
    fit: Fit, seen: Evidence, shares: Shares, verdict: Verdict, thrust: ThrustFigure | None, wind_source: str
) -> Iterator[str]:
    course = fit.unknowns.course
    rail = f"its rail leaned {shares.rail_deg:.0f}"
    leaned = f"The nose leaned {shares.lean_deg:.0f} degrees {shares.at_s:.1f} s after the rail; {rail}."
    main = None if verdict.main is None else shares.of(verdict.main)
    if verdict.is_unstable:
        yield leaned
        sure = "was" if shares.margin_high < 0.0 else "was probably"
        yield (
            f"It {sure} unstable: the static margin by the fit was "
            f"{_interval(shares.margin, shares.margin_low, shares.margin_high, 1)} calibers at its least. The nose turns "
            "away from the air it meets, and whatever disturbs it first is made larger."
        )
    elif verdict.main is None:
        yield leaned
        yield (
            f"That is not more than {FROM_DEG:.0f} degrees beyond its rail: there is no pitch-over to explain."
            if _is_straight(shares)
            else "No single cause explains more than a few degrees of it."
        )
    elif main is not None:
        yield f"{leaned} The largest part came from {WORDS[main.cause]}: {_share_words(main, shares)}."
    for cause in verdict.calls:
        other = shares.of(cause)
        if other is not None and cause not in (verdict.main, UNSTABLE):
            yield f"{WORDS[cause].capitalize()}: {_share_words(other, shares)}."
    if not verdict.is_unstable and not _is_straight(shares):
        yield _margin_words(shares)
    if thrust is not None:
        yield _thrust_words(seen, fit, thrust)
    yield (
        f"The wind the vehicle met there was {hypot(*shares.wind_m_s):.1f} m/s toward {_bearing(shares.wind_m_s)} degrees "
        f"by the fit, which began from {wind_source}."
    )
    if course.is_cut:
        yield "The nose left its path so far that only the first part is fitted: no such equation tells what came later."
    if max(fit.left) > POOR_LEFT:
        yield "The fit leaves more over than the sensors' doubt explains: take the shares as a hint."
    yield HOW


def _is_straight(shares: Shares) -> bool:
    """Return whether too little happened to tell a margin by it, or to be explained."""
    return shares.lean_deg - shares.rail_deg <= FROM_DEG


def _interval(value: float, low: float, high: float, digits: int) -> str:
    return f"{value:.{digits}f} [{low:.{digits}f} to {high:.{digits}f}]"


def _share_words(share: Share, shares: Shares) -> str:
    return f"{_interval(share.deg, share.low_deg, share.high_deg, 0)} degrees, {direction(share, shares.wind_m_s)}"


def direction(share: Share, wind_m_s: tuple[float, float]) -> str:
    """Return whether a share took the nose into the wind that was met, away from it, or across."""
    size, wind = hypot(*share.toward_deg), hypot(*wind_m_s)
    if size < 1e-6 or wind < 0.5:
        return f"toward {_bearing(share.toward_deg)} degrees"
    along = (share.toward_deg[0] * wind_m_s[0] + share.toward_deg[1] * wind_m_s[1]) / (size * wind)
    return "into the wind" if along < -0.6 else "away from the wind" if along > 0.6 else "across the wind"


def _bearing(vector: tuple[float, float]) -> str:
    return f"{round(degrees(atan2(vector[0], vector[1]))) % 360:03d}"


def _margin_words(shares: Shares) -> str:
    told = f"The static margin by the fit was {_interval(shares.margin, shares.margin_low, shares.margin_high, 1)} calibers"
    if shares.margin_low > 0.0:
        return f"{told}: it was stable."
    return f"{told}: this flight does not show whether it was stable."


def _thrust_words(seen: Evidence, fit: Fit, thrust: ThrustFigure) -> str:
    if thrust.share is None or thrust.share_sigma is None:
        return f"Thrust cannot be held against the declared curve: {thrust.reason}."
    told = (
        f"The motor gave {100.0 * thrust.share:.0f} % of the declared impulse (+- {200.0 * thrust.share_sigma:.0f} %); it "
        f"left the rail at {seen.exit_m_s:.1f} m/s"
    )
    if abs(thrust.share - 1.0) < 2.0 * thrust.share_sigma + 0.03:
        return f"{told}."
    return f"{told}, with the declared thrust at about {exit_with(seen, fit.unknowns.body, 1.0 / thrust.share)[1]:.1f} m/s."


# ---------------------------------------------------------------- numbers and pictures


def _numbers(seen: Evidence, shares: Shares, thrust: tuple[float, float] | None) -> Iterator[Number]:
    yield Number("lean", shares.lean_deg, unit="deg", note=f"{shares.at_s:.2f} s after the rail, from the vertical")
    yield Number("rail's own lean", shares.rail_deg, unit="deg")
    for share in sorted(shares.shares, key=lambda one: -one.deg):
        yield Number(
            f"due to {share.cause}", share.deg, share.low_deg, share.high_deg, "deg", direction(share, shares.wind_m_s)
        )
    if not _is_straight(shares):
        yield Number("static margin, least", shares.margin, shares.margin_low, shares.margin_high, "calibers")
    yield Number("speed at the rail's end", seen.exit_m_s, *_around(seen.exit_m_s, seen.exit_sigma_m_s), unit="m/s")
    if thrust is not None:
        low, high = _around(100.0 * thrust[0], 100.0 * thrust[1])
        yield Number("impulse over the declared one", 100.0 * thrust[0], low, high, "%")
    yield Number("wind met", hypot(*shares.wind_m_s), unit="m/s", note=f"toward {_bearing(shares.wind_m_s)} degrees")
    yield Number("greatest gust beyond the mean", shares.gust_m_s, unit="m/s")


def _around(value: float, sigma: float) -> tuple[float, float]:
    return value - 1.96 * sigma, value + 1.96 * sigma


def _tilt_picture(fit: Fit) -> Picture:
    course, drive = fit.unknowns.course, fit.unknowns.drive
    nose = flown(drive, fit.terms)[0][:, :, 0]
    t = 2.0 * drive.half_s * np.arange(drive.steps + 1)
    lines = (
        Line("measured", _plain(course.t), _plain(np.degrees(tilt_of(course.nose.T)))),
        Line("fitted", _plain(t), _plain(np.degrees(tilt_of(nose.T)))),
    )
    return Picture("Lean of the nose", "s after the rail", "degrees from vertical", lines)


def _wind_picture(fit: Fit) -> Picture:
    drive, terms = fit.unknowns.drive, fit.terms
    t = drive.half_s * np.arange(len(drive.thrust_m_s2))
    wind = drive.wind_profile[:, None] * terms.mean_wind[:, 0] + drive.knots @ terms.gust[:, :, 0]
    lines = tuple(Line(name, _plain(t[::2]), _plain(wind[::2, i])) for i, name in enumerate(("toward east", "toward north")))
    return Picture("Wind by the fit", "s after the rail", "m/s", lines)


def _plain(values: np.ndarray) -> tuple[float, ...]:
    return tuple(float(value) if isfinite(value) else 0.0 for value in values)
