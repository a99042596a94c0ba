"""Which columns of a log are pressure and height, and in which unit: a height falls at 1 g around its top."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import numpy as np

from protocol.arrays import Floats
from protocol.roles import to_role_unit
from protocol.units import GRAVITY_M_S2, to_unit
from server.flight.air.atmosphere import height_from_pressure
from server.logs.log_columns import Column, Meaning, level_of, name_of, of_role, spans_of


def _open(free: Sequence[Column]) -> Iterator[tuple[Column, Floats]]:
    """Return the columns that nothing was found for yet and that hold three numbers at least, with their values."""
    for column in free:
        x = column.values
        if not column.taken and x is not None and np.isfinite(x).sum() >= 3:
            yield column, x


def find_pressure(free: Sequence[Column], meaning: Meaning) -> None:
    """Find the pressure, declared, named, or by its level and fall."""
    levels = {"Pa": (5.5e4, 1.1e5), "hPa": (550.0, 1100.0), "kPa": (55.0, 110.0)}
    best: tuple[float, Column, str] | None = None
    for column, x in _open(free):
        is_named = re.match(
            r"(?:baro\w*_)?p(?:ress\w*|_?baro\w*|_?static\w*|res)?(?:_|$)|static_p|baro\w*$|p$", column.words
        )
        is_other = re.search(r"total|dynamic|pitot|chamber|motor|alt|height|temp", column.words)
        found = [u for u, (low, high) in levels.items() if low < level_of(x) < high]
        declared = column.unit if to_unit(column.unit, "Pa") or column.unit == "Pa" else ""
        unit = declared or (found[0] if found else "")
        below, above = spans_of(x)
        falls = below > 2.0 * max(above, 0.0) and below > 2e-4 * level_of(x)
        if is_other or not unit or (column.unit and not declared):
            continue
        if declared or is_named or (not column.words and falls):
            score = 4.0 * bool(declared) + 2.0 * bool(is_named) + falls
            if best is None or score > best[0]:
                best = (score, column, unit)
    if best is not None:
        column = best[1]
        if column.unit != best[2]:
            meaning.assumed.append(f"{name_of(column)} is the pressure in {best[2]}, by its level on the pad")
        column.role, column.unit, column.taken = "pressure", best[2], True


def find_height(free: Sequence[Column], meaning: Meaning) -> None:
    """Find the height by the barometer, declared, named, or by its shape."""
    best: tuple[float, Column] | None = None
    pressure = _pressure_height(meaning)
    for column, x in _open(free):
        is_named = re.search(
            r"(?:^|_)(?:alt|altitude|height|agl|asl|h|alt_?baro|baro_?alt\w*|hoehe)(?:_|$|\d)", column.words
        )
        is_other = re.search(r"max|target|predict|apogee|gps|gnss|geo|north|east|range|distance", column.words)
        declared = column.unit in ("m", "ft", "km", "cm")
        if (
            is_other
            or (column.unit and not declared)
            or not (is_named or not column.words or column.words.startswith("column"))
        ):
            continue
        below, above = spans_of(x)
        rises = above > 3.0 * max(below, 0.0) and above > 10.0 and _is_smooth(x) and not _counts(x)
        if is_named or (rises and _goes_with(pressure, column) is not False):
            score = 3.0 * bool(is_named) + 2.0 * declared + rises + 0.5 * bool(re.search("baro|agl", column.words))
            if best is None or score > best[0]:
                best = (score, column)
    if best is not None:
        best[1].role, best[1].taken = "altitude_baro", True


def _counts(x: Floats) -> bool:
    """Whether a column only rises, in equal steps: a counter."""
    steps = np.diff(x[np.isfinite(x)])
    return bool(len(steps) > 2 and (steps >= 0.0).all() and np.ptp(steps) <= np.median(steps))


def _goes_with(pressure: tuple[Column, Floats] | None, column: Column) -> bool | None:
    """Whether a column moves as the height by the pressure of its file does; None where there is none."""
    if pressure is None or pressure[0].file != column.file or column.values is None:
        return None
    both = np.isfinite(pressure[1]) & np.isfinite(column.values)
    if both.sum() < 20 or not np.ptp(pressure[1][both]) > 20.0:
        return None
    return bool(np.corrcoef(pressure[1][both], column.values[both])[0, 1] > 0.9)


def _is_smooth(x: Floats) -> bool:
    """Whether a column changes little from one sample to the next: no word of numbers, no vibration."""
    x = x[np.isfinite(x)]
    return len(x) > 10 and float(np.median(np.abs(np.diff(x)))) < 0.05 * float(np.ptp(x))


def _pressure_height(meaning: Meaning) -> tuple[Column, Floats] | None:
    column = of_role(meaning, "pressure")
    turn = None if column is None else to_role_unit("pressure", column.unit)
    if column is None or column.values is None or turn is None:
        return None
    return column, height_from_pressure(column.values * turn[0] + turn[1])


def height_for(number: int, meaning: Meaning) -> Floats | None:
    """Return a height of one file in m, or in what its column counts."""
    pressure = _pressure_height(meaning)
    if pressure is not None and pressure[0].file == number:
        return pressure[1]
    height = of_role(meaning, "altitude_baro")
    if height is None or height.file != number or height.values is None:
        return None
    return height.values * (to_unit(height.unit, "m") or (1.0, 0.0))[0]


def fall_of(t: Floats, height: Floats) -> float | None:
    """Return the downward acceleration on the way to the top of a height, in its units per those of `t` squared."""
    good = np.isfinite(t) & np.isfinite(height)
    t, height = t[good], height[good]
    if len(t) < 20:
        return None
    size = max(1, len(height) // 2000)
    smooth = np.convolve(height, np.ones(size) / size, "same") if size > 1 else height
    level, top = level_of(smooth), int(np.argmax(smooth))
    rise = smooth[top] - level
    below = np.flatnonzero(smooth[:top] < level + 0.85 * rise)  # drag is a small part of what slows the last of it
    first = int(below[-1]) + 1 if len(below) else 0
    if top - first < 4 or not rise > 0.0:
        return None
    at = t[first : top + 1] - t[top]
    a, _, _ = np.polyfit(at, height[first : top + 1], 2)
    return float(-2.0 * a) if a < 0.0 else None


def settle_height_unit(meaning: Meaning) -> None:
    """Choose m or ft where nothing says which: by the pressure of the same file, else by the fall around the top."""
    column = of_role(meaning, "altitude_baro")
    if column is None or column.unit or column.values is None:
        return
    pressure = _pressure_height(meaning)
    ratio: float | None = None
    why = ""
    if pressure is not None and pressure[0].file == column.file:
        above = pressure[1] - level_of(pressure[1])
        mine = column.values - level_of(column.values)
        flying = np.isfinite(above) & np.isfinite(mine) & (above > 0.5 * np.nanmax(above))
        if flying.sum() > 3 and np.nanmax(above) > 20.0:
            ratio, why = float(np.median(mine[flying] / above[flying])), "the pressure"
    t = meaning.seconds(column.file)
    if ratio is None and t is not None and (fall := fall_of(t, column.values)) is not None:
        ratio, why = fall / GRAVITY_M_S2, "its fall around the top"
    if ratio is not None and ratio > 0.0:
        unit, per = min((("m", 1.0), ("ft", 1.0 / 0.3048)), key=lambda one: abs(np.log(ratio / one[1])))
        if abs(np.log(ratio / per)) < np.log(1.7):
            column.unit = unit
            meaning.assumed.append(f"{name_of(column)} is in {unit}, by {why}")
            return
    column.role, column.taken = "", False
    meaning.unknown.append(f"{name_of(column)} looks like a height, in which unit cannot be told")
