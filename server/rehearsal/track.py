"""What is kept of a run to be drawn: its components decimated so that no worst value is lost, its phases, what was wrong.

The picture is small on the page, and there may be thousands of runs on the disk: some 20 kB each are enough.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from protocol.arrays import Floats
from server.rehearsal.against_truth import Component, components, unit_of
from server.rehearsal.answers import AnswerReader
from server.rehearsal.flown import Flown
from server.rehearsal.judging import word_of
from server.rehearsal.score import Run
from server.rehearsal.track_file import Curve, Track

BUCKETS = 36
WRONGS_AT_MOST = 8
CHANGES_AT_MOST = 60  # of the phase: a computer that flickers needs no more to be seen to do it
DECIMALS = {"m": 2, "m/s": 2, "rad": 4, "rad/s": 4}
HUGE = 1e12  # what is farther out is drawn no better by all its digits


def track_of(run: Run, flown: Flown, reader: AnswerReader, phases: Sequence[str]) -> Track:
    """Return what is kept of a run; `phases` are the words of the vehicle's phase."""
    compared = components(flown, run.deployment_s[0], reader)
    first = run.wrongs[0] if run.wrongs else None
    times = next((one.t_s for one in compared.values()), None)
    ends_s = (0.0, flown.duration_s) if times is None else (float(times[0]), float(times[-1]))
    return Track(
        scenario=run.scenario,
        seed=run.seed,
        firmware=flown.firmware,
        outcome="invalid" if run.invalid else "passed" if run.passed else "failed",
        invalid=run.invalid,
        from_s=ends_s[0],
        until_s=ends_s[1],
        duration_s=flown.duration_s,
        curves=[_curve(role, one) for role, one in compared.items()],
        phases=list(_phases(flown, reader, phases)),
        true_phases=list(flown.true_phases),
        deployment_s=run.deployment_s,
        first_bad_frame=first.frame if first is not None else None,
        first_bad_s=first.time_us / 1e6 if first is not None else None,
        wrongs=[wrong.sentence() for wrong in run.wrongs[:WRONGS_AT_MOST]],
        cycle_us=run.cycle_us,
        delay_ms=_delays(run),
        outages_s=list(run.outages_s),
    )


def kept_places(series: Sequence[Floats], buckets: int = BUCKETS) -> list[int]:
    """Return the places to keep of series of one length, in order.

    Of each bucket the least and the greatest of every series and the first that is not finite; the first and the last
    of all.
    """
    count = len(series[0])
    if not count:
        return []
    kept = {0, count - 1}
    edges = np.linspace(0, count, min(buckets, count) + 1).astype(int)
    for begin, end in zip(edges[:-1], edges[1:], strict=True):
        for one in series:
            part = one[begin:end]
            told = np.isfinite(part)
            if told.any():
                kept.add(int(begin + np.argmin(np.where(told, part, np.inf))))
                kept.add(int(begin + np.argmax(np.where(told, part, -np.inf))))
            if not told.all():
                kept.add(int(begin + np.argmin(told)))
    return sorted(kept)


def _curve(role: str, one: Component) -> Curve:
    unit = unit_of(role)
    digits = DECIMALS[unit]
    places = kept_places((one.told, one.apart))
    size = np.abs(one.apart)
    worst = int(np.argmax(np.where(np.isfinite(size), size, np.inf)))  # what is no number is worse than any
    return Curve(
        role=role,
        unit=unit,
        rms=_known(one.rms),
        worst=_known(one.worst),
        worst_s=_rounded(one.t_s[worst], 3),
        t_s=[round(float(at), 3) for at in one.t_s[places]],
        told=[_rounded(value, digits) for value in one.told[places]],
        truth=[_rounded(value, digits) for value in one.truth[places]],
        apart=[_rounded(value, digits) for value in one.apart[places]],
    )


def _rounded(value: float, digits: int) -> float | None:
    if not math.isfinite(value):
        return None
    return round(float(value), digits) if abs(value) < HUGE else float(f"{value:.6g}")


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _delays(run: Run) -> tuple[float | None, float | None, float | None]:
    median, late, most = (_known(delay * 1e3) for delay in (*run.delay_s, run.delay_most_s))
    return median, late, most


def _phases(flown: Flown, reader: AnswerReader, words: Sequence[str]) -> Iterator[tuple[str, float]]:
    last, changes = None, 0
    for frame in flown.frames:
        value = reader.value(frame.answer, "vehicle_phase") if frame.answer is not None else None
        if value is None or value == last or changes >= CHANGES_AT_MOST:
            continue
        last, changes = value, changes + 1
        yield word_of(words, value), frame.time_us / 1e6
