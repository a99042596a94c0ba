"""The score of a bench trial as numbers and as text: passes, the bound on the failure rate, times, sweeps, pings."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, degrees, floor, log10
from typing import TypedDict

import numpy as np

from server.flight.control.linkage import SweepPoint, analyze_sweep
from server.flight.proportion import CONFIDENCE, two_sided, upper_bound
from server.trials.score import Failure, Score
from server.trials.state import State
from server.trials.trial import Trial

BINS_AT_MOST = 20
BIN_AT_LEAST_S = 0.001
BAR = 40
BEYOND_SAID = 5  # so many of the times beyond the bars are said


Histogram = TypedDict("Histogram", {"from": float, "width": float, "counts": list[int]})
"""Bins of one width from `from` on, and how many values lie in each."""


class Distribution(TypedDict):
    """Some times in seconds; the histogram holds those up to the 99th percentile, `beyond` the others, ascending."""

    count: int
    median: float
    p95: float
    p99: float
    greatest: float
    histogram: Histogram
    beyond: list[float]


class Latencies(Distribution):
    """The times from asked to verified of one kind of command."""

    title: str


class VariantScore(TypedDict):
    """Runs of one variant, and the one-sided bound on its failure rate."""

    title: str
    passed: int
    failed: int
    upper_bound: float


class Place(TypedDict):
    """The mean measured (rad) over `count` visits of one commanded place (rad) from one direction."""

    commanded: float
    direction: int
    measured: float
    count: int


class Sweep(TypedDict):
    """What the sweep of one fin shows, as `linkage.Linkage` has it, and the loop to be drawn."""

    title: str
    points: int
    commanded_low: float
    commanded_high: float
    travel_low: float
    travel_high: float
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    offset: float | None
    backlash: float | None
    pairs: int
    residual: float | None
    places: list[Place]


class Pings(TypedDict):
    """Pings and their frames; `loss` is the share of frames without an answer in time."""

    sent: int
    answered: int
    frames: int
    frames_lost: int
    loss: float | None
    round_trip: Distribution | None


class TrialResult(TypedDict):
    """The score of a trial, as it is kept in the session."""

    outcome: str | None
    safe: bool
    cause: str
    planned: int
    runs: int
    passed: int
    failed: int
    confidence: float
    upper_bound: float
    interval: list[float]
    first_failure: Failure | None
    by_variant: list[VariantScore]
    latencies: list[Latencies]
    sweeps: list[Sweep]
    pings: Pings | None


def result_of(trial: Trial) -> TrialResult:
    """Return the result of a trial as JSON-able values; seconds and radians.

    `upper_bound` is the one-sided exact bound at 95 %, `interval` the two-sided exact one (Clopper and Pearson, see
    `server.flight.proportion`).
    """
    score = trial.score
    tries = score.passed + score.failed
    low, high = two_sided(score.failed, tries)
    return {
        "outcome": trial.outcome,
        "safe": trial.state is State.ENDED,
        "cause": trial.cause,
        "planned": trial.plan.runs(trial.cycles),
        "runs": tries,
        "passed": score.passed,
        "failed": score.failed,
        "confidence": CONFIDENCE,
        "upper_bound": upper_bound(score.failed, tries),
        "interval": [low, high],
        "first_failure": score.failure,
        "by_variant": [
            {"title": title, "passed": good, "failed": bad, "upper_bound": upper_bound(bad, good + bad)}
            for title, (good, bad) in score.by_variant.items()
            if title
        ],
        "latencies": [{"title": label, **distribution(times)} for label, times in score.latencies.items() if times],
        "sweeps": [sweep for name, points in score.sweeps.items() if (sweep := _sweep(name, points))],
        "pings": _pings(score) if score.pings else None,
    }


def distribution(values: Sequence[float]) -> Distribution:
    """Return count, median, 95th and 99th percentile, greatest, and a histogram of some times in seconds.

    A percentile is the nearest rank: the smallest time that at least this share of all does not exceed, so it is always
    one that was measured (R. J. Hyndman and Y. Fan, "Sample quantiles in statistical packages", 1996, definition 1).
    Raises ValueError for no values.
    """
    if not values:
        raise ValueError("nothing was measured")
    ranked = sorted(values)

    def rank(share: float) -> float:
        return ranked[max(ceil(share * len(ranked) - 1e-9), 1) - 1]

    # One straggler would put all others into one bin.
    within = [value for value in ranked if value <= rank(0.99)]
    return {
        "count": len(ranked),
        "median": rank(0.5),
        "p95": rank(0.95),
        "p99": rank(0.99),
        "greatest": ranked[-1],
        "histogram": histogram(within),
        "beyond": ranked[len(within) :],
    }


def histogram(values: Sequence[float]) -> Histogram:
    """Return {"from", "width", "counts"}: at most 20 bins of a round width (1, 2 or 5 times a power of ten) over all values.

    A bin holds its lower edge, not its upper one, and is never narrower than a millisecond: finer is noise of the clocks.
    """
    low, high = min(values), max(values)
    width = 10.0 ** floor(log10(max((high - low) / BINS_AT_MOST, BIN_AT_LEAST_S)) + 1e-9)
    width = next(width * factor for factor in (1, 2, 5, 10, 20, 50) if _bins(low, high, width * factor) <= BINS_AT_MOST)
    first = floor(low / width + 1e-9)
    counts = [0] * _bins(low, high, width)
    for value in values:
        counts[floor(value / width + 1e-9) - first] += 1
    return {"from": first * width, "width": width, "counts": counts}


def _bins(low: float, high: float, width: float) -> int:
    return floor(high / width + 1e-9) - floor(low / width + 1e-9) + 1


def _sweep(name: str, points: Sequence[SweepPoint]) -> Sweep | None:
    linkage = analyze_sweep(points)
    if linkage is None:
        return None
    return {
        "title": name,
        "points": linkage.points,
        "commanded_low": linkage.commanded_low,
        "commanded_high": linkage.commanded_high,
        "travel_low": linkage.travel_low,
        "travel_high": linkage.travel_high,
        "ratio": linkage.ratio,
        "ratio_low": linkage.ratio_low,
        "ratio_high": linkage.ratio_high,
        "offset": linkage.offset,
        "backlash": linkage.backlash,
        "pairs": linkage.pairs,
        "residual": linkage.residual,
        "places": _places(points),
    }


def _places(points: Sequence[SweepPoint]) -> list[Place]:
    """Return the mean measured at each commanded place and direction: the loop to be drawn, however many cycles."""
    met: dict[tuple[float, int], list[float]] = {}
    for point in points:
        met.setdefault((point.commanded, point.direction), []).append(point.measured)
    return [
        {"commanded": commanded, "direction": direction, "measured": float(np.mean(values)), "count": len(values)}
        for (commanded, direction), values in met.items()
    ]


def _pings(score: Score) -> Pings:
    """Loss counts frames: an answered ping had one that got through and back, the others sent for it did not in time."""
    lost = score.ping_sends - score.pings_answered
    return {
        "sent": score.pings,
        "answered": score.pings_answered,
        "frames": score.ping_sends,
        "frames_lost": lost,
        "loss": lost / score.ping_sends if score.ping_sends else None,
        "round_trip": distribution(score.round_trips) if score.round_trips else None,
    }


# ---------------------------------------------------------------- text


def result_text(result: TrialResult) -> str:
    """Return the result as plain lines for a terminal."""
    return "\n".join([*_score_lines(result), *_time_lines(result), *_sweep_lines(result), *_ping_lines(result)])


def _score_lines(result: TrialResult) -> list[str]:
    low, high = result["interval"]
    lines = [
        f"{result['outcome']}: {result['passed']} of {result['runs']} runs passed, {result['failed']} failed "
        f"({result['planned']} planned)"
    ]
    if result["cause"]:
        lines.append(f"stopped by: {result['cause']}")
    failure = result["first_failure"]
    if failure:
        where = f"run {failure['run']}, cycle {failure['cycle']}" if failure["run"] else "outside the cycles"
        variant = f", {failure['variant']}" if failure["variant"] else ""
        lines.append(f"first failure: {where}{variant}, {failure['step']}: {failure['cause']}")
    if not result["safe"]:
        lines.append("NOT SEEN TO BE SAFE: treat everything as armed; use the arming key")
    percent = 100 * result["confidence"]
    lines.append(
        f"failure rate: at most {share_text(result['upper_bound'])} (one-sided exact bound, {percent:g} %); "
        f"{share_text(low)} to {share_text(high)} (two-sided exact interval, {percent:g} %)"
    )
    for one in result["by_variant"]:
        tries = one["passed"] + one["failed"]
        lines.append(f"    {one['title']}: {one['passed']} of {tries} passed, at most {share_text(one['upper_bound'])}")
    return lines


def share_text(value: float) -> str:
    """Return a share as percent with three significant digits."""
    return f"{100 * value:.3g} %"


def _time_lines(result: TrialResult) -> list[str]:
    if not result["latencies"]:
        return []
    lines = ["", f"{'asked to verified, s':34} {'n':>6} {'median':>8} {'95 %':>8} {'99 %':>8} {'greatest':>8}"]
    lines += [_distribution_line(one["title"], one) for one in result["latencies"]]
    for one in result["latencies"]:
        lines += ["", f"{one['title']}, s", *histogram_lines(one["histogram"]), *_beyond_line(one)]
    return lines


def _distribution_line(title: str, one: Distribution) -> str:
    return (
        f"{title[:34]:34} {one['count']:>6} {one['median']:8.3f} {one['p95']:8.3f} {one['p99']:8.3f} {one['greatest']:8.3f}"
    )


def histogram_lines(picture: Histogram) -> list[str]:
    """Return a histogram as bars of text, one line for each bin; the fullest is 40 characters wide."""
    start, width, counts = picture["from"], picture["width"], picture["counts"]
    digits = max(0, -floor(log10(width) + 1e-9))
    most = max(counts)
    lines = []
    for i, count in enumerate(counts):
        edges = f"{start + i * width:.{digits}f}..{start + (i + 1) * width:.{digits}f}"
        lines.append(f"    {edges:>16} {count:>6} {'#' * ceil(BAR * count / most)}".rstrip())
    return lines


def _beyond_line(one: Distribution) -> list[str]:
    """Say what the bars leave out."""
    beyond = one["beyond"]
    return [f"    {len(beyond)} beyond: {', '.join(f'{value:.3f}' for value in beyond[-BEYOND_SAID:])}"] if beyond else []


def _sweep_lines(result: TrialResult) -> list[str]:
    lines = []
    for one in result["sweeps"]:
        lines += [
            "",
            f"{one['title']}: asked {_deg(one['commanded_low'])} to {_deg(one['commanded_high'])}, "
            f"reached {_deg(one['travel_low'])} to {_deg(one['travel_high'])} ({one['points']} places)",
        ]
        offset = one["offset"]
        if one["ratio"] is not None and offset is not None:
            spread = f"95 %: {one['ratio_low']:.4f} to {one['ratio_high']:.4f}"
            lines.append(f"    linkage ratio {one['ratio']:.4f} ({spread}), offset {_deg(offset)}")
        if one["backlash"] is not None:
            lines.append(f"    backlash {_deg(one['backlash'])} (median of {one['pairs']} angles met both ways)")
    return lines


def _deg(value: float) -> str:
    return f"{degrees(value):+.2f} deg"


def _ping_lines(result: TrialResult) -> list[str]:
    pings = result["pings"]
    if not pings:
        return []
    loss = "-" if pings["loss"] is None else share_text(pings["loss"])
    lines = [
        "",
        f"pings: {pings['answered']} of {pings['sent']} answered; {pings['frames_lost']} of {pings['frames']} frames "
        f"had no answer in time ({loss})",
    ]
    trip = pings["round_trip"]
    if trip:
        lines.append(f"{'round trip, s':34} {'n':>6} {'median':>8} {'95 %':>8} {'99 %':>8} {'greatest':>8}")
        lines += [_distribution_line("pings sent once", trip), "", *histogram_lines(trip["histogram"]), *_beyond_line(trip)]
    return lines
