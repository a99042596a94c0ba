"""Which column of a log is its time, and whether it counts s, ms or us."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.logs.column_heights import fall_of, height_for
from server.logs.log_columns import TIME_ROLE, TIME_SECONDS, Column, Meaning, name_of

STEADY = 0.7
TIME_WORDS = re.compile(r"(?:time\w*|t|ts|clock|uptime|elapsed\w*|millis|micros|timestamp|utc|sec|seconds|ms|us)")
COUNT_WORDS = re.compile(r"(?:n|no|nr|num\w*|count\w*|index|idx|row|line|sample\w*|packet\w*|seq\w*|id|record\w*)")


def find_time(columns: Sequence[Column], meaning: Meaning) -> None:
    """Find the time of one file."""
    told = [column for column in columns if column.role == TIME_ROLE]
    for column in told or columns:
        if column.values is not None and (told or not column.taken):
            column.values, modulus = begun_again(column.values)
            if modulus and (told or _like_time(column) > 2.0):
                meaning.assumed.append(
                    f"{name_of(column)} begins again after {modulus:.0f} and is counted on; to the station that would be a "
                    "restart, so send a wider count"
                )
    if told:
        return
    scored = [
        (score, -column.place, column) for column in columns if not column.taken and (score := _like_time(column)) > 2.0
    ]
    if not scored:
        meaning.unknown.append("no column rises like a time; name it")
        return
    time = max(scored, key=lambda one: one[:2])[2]
    time.role, time.taken = TIME_ROLE, True
    if time.unit not in TIME_SECONDS:
        time.unit = {"ms": "ms", "millis": "ms", "us": "us", "micros": "us"}.get(time.words, "")
    if not time.unit and time.values is not None:
        # Seconds since 1970 have ten digits in this century.
        time.unit = next((u for u, one in TIME_SECONDS.items() if 5e8 < time.values[0] * one < 5e9), "")


def begun_again(x: Floats) -> tuple[Floats, float]:
    """Return a count of 15 to 32 bits that began again, counted on, and its modulus; as it is and 0 where it did not.

    Every fall must be, but for the modulus, a step like the others: at most 20 of them.
    """
    steps = np.diff(x)
    falls = steps < 0.0
    if not np.isfinite(x).all() or not falls.any() or falls.mean() > 0.02 or x.min() < 0.0:
        return x, 0.0
    modulus = next((float(2**bits) for bits in range(15, 33) if 2**bits > x.max()), 0.0)
    usual = float(np.median(steps[~falls]))
    if not modulus or ((steps[falls] + modulus < 0.0) | (steps[falls] + modulus > 20.0 * usual)).any():
        return x, 0.0
    return x + modulus * np.concatenate([[0.0], np.cumsum(falls)]), modulus


def _like_time(column: Column) -> float:
    x = column.values
    if x is None or len(x) < 3 or not np.isfinite(x).all() or not x[-1] > x[0]:
        return 0.0
    steps = np.diff(x)
    rising = steps[steps > 0.0]
    if (steps < 0.0).mean() > 1e-3 or not len(rising):
        return 0.0
    middle = float(np.median(rising))
    score = 2.0 * bool((np.abs(rising - middle) < 0.5 * middle).mean() > STEADY) + 1.0 * bool(len(rising) > 0.9 * len(steps))
    score += 3.0 * bool(TIME_WORDS.fullmatch(column.words)) + 3.0 * (column.unit in TIME_SECONDS)
    score -= 4.0 * bool(COUNT_WORDS.fullmatch(column.words)) + 1.0 * bool((steps == 1.0).all())
    return score - 3.0 * (column.unit != "" and column.unit not in TIME_SECONDS)


def settle_time_unit(number: int, meaning: Meaning) -> None:
    """Choose s, ms or us where nothing says which: by the fall around the top, else by a rate that a logger can have."""
    time = meaning.time_of(number)
    if time is None or time.values is None or time.unit in TIME_SECONDS:
        return
    height = height_for(number, meaning)
    step, length = float(np.median(np.diff(time.values))), float(time.values[-1] - time.values[0])
    possible = [u for u, one in TIME_SECONDS.items() if 2e-4 < step * one < 2.5 and 4.0 < length * one < 40_000.0]
    if height is not None and (fall := fall_of(time.values, height)) is not None:
        one = min(TIME_SECONDS, key=lambda u: abs(np.log(fall / TIME_SECONDS[u] ** 2 / GRAVITY_M_S2)))
        if abs(np.log(fall / TIME_SECONDS[one] ** 2 / GRAVITY_M_S2)) < np.log(30.0):
            time.unit = one
            meaning.assumed.append(f"{name_of(time)} is in {one}, since the height then falls at about 1 g around its top")
            return
    others = {one.unit for one in (meaning.time_of(i) for i in range(len(meaning.columns))) if one is not None and one.unit}
    if len(possible) == 1:
        time.unit = possible[0]
        meaning.assumed.append(f"{name_of(time)} is in {time.unit}, since its steps are no other rate of a logger")
    elif len(others) == 1 and others <= set(TIME_SECONDS):
        time.unit = others.pop()
        meaning.assumed.append(f"{name_of(time)} is in {time.unit} as in the other file")
    else:
        time.role, time.taken = "", False
        meaning.unknown.append(f"{name_of(time)} rises like a time, in which unit cannot be told")
