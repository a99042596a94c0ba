"""One small chart as inline SVG (SVG 1.1 elements, no script, no reference to anything outside): a line over time.

A line of any length is drawn from the smallest and greatest value of each pixel's stretch, so that no spike is lost; where
a value is not a number the line breaks. Ticks are at round numbers (1, 2 or 5 times a power of ten).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from math import ceil, floor, isfinite, log10

import numpy as np

from protocol.arrays import Floats

WIDTH, HEIGHT = 760, 190
LEFT, RIGHT, TOP, BOTTOM = 62, 12, 22, 24
LONGEST_GAP_S = 1.5
Scale = Callable[[float], float]
"""Turns a time or a value into a place on the chart."""


@dataclass(frozen=True)
class PlotLine:
    """One line of a chart: times (s) and values of one length, in order of time, and the name in the legend."""

    name: str
    t: Floats
    values: Floats


def chart(
    title: str, unit: str, lines: Sequence[PlotLine], low_t: float, high_t: float, marks: Iterable[tuple[float, str]]
) -> str:
    """Return an SVG element that shows lines from `low_t` to `high_t` with vertical marks at some times."""
    inside = [_cut(line, low_t, high_t) for line in lines]
    finite = np.concatenate([line.values[np.isfinite(line.values)] for line in inside] or [np.zeros(0)])
    heading = f"{title} ({unit})" if unit else title
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(heading)}">',
        f'<text x="{LEFT}" y="14" class="title">{escape(heading)}</text>',
    ]
    if not len(finite) or not high_t > low_t:
        return "".join([*parts, f'<text x="{LEFT}" y="{HEIGHT // 2}">nothing was heard of it</text></svg>'])
    low, high = _range(float(finite.min()), float(finite.max()))
    x = _scale(low_t, high_t, LEFT, WIDTH - RIGHT)
    y = _scale(low, high, HEIGHT - BOTTOM, TOP)
    parts += _grid(x, y, low_t, high_t, low, high)
    for at, name in marks:
        if low_t <= at <= high_t:
            parts.append(f'<path class="mark" d="M{x(at):.1f} {TOP}V{HEIGHT - BOTTOM}"/>')
            parts.append(f'<text x="{x(at) + 3:.1f}" y="{TOP + 9}" class="small">{escape(name)}</text>')
    for number, line in enumerate(inside):
        parts.append(f'<path class="line{number}" d="{_path(line, x, y, low_t, high_t)}"/>')
        if len(inside) > 1:
            place = WIDTH - RIGHT - 90 * (len(inside) - number)
            parts.append(f'<text x="{place}" y="14" class="name{number}">{escape(line.name)}</text>')
    return "".join([*parts, "</svg>"])


def _cut(line: PlotLine, low_t: float, high_t: float) -> PlotLine:
    inside = (line.t >= low_t) & (line.t <= high_t)
    return PlotLine(line.name, line.t[inside], line.values[inside])


def _range(low: float, high: float) -> tuple[float, float]:
    room = 0.05 * (high - low)
    if room <= 1e-9 * max(abs(low), abs(high), 1.0):
        room = max(0.05 * abs(high), 0.5)
    return low - room, high + room


def _scale(low: float, high: float, start: float, stop: float) -> Scale:
    def place(value: float) -> float:
        return start + (value - low) / (high - low) * (stop - start)

    return place


def ticks(low: float, high: float, about: int) -> list[float]:
    """Return about so many round numbers between two numbers."""
    raw = (high - low) / max(about, 1)
    if not (isfinite(raw) and raw > 0.0):
        return []
    power = 10.0 ** floor(log10(raw))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= raw * (1 - 1e-9))
    return [round(step * n, 12) for n in range(ceil(low / step), floor(high / step) + 1)]


def _grid(x: Scale, y: Scale, low_t: float, high_t: float, low: float, high: float) -> list[str]:
    parts = []
    for value in ticks(low, high, 5):
        parts.append(f'<path class="grid" d="M{LEFT} {y(value):.1f}H{WIDTH - RIGHT}"/>')
        parts.append(f'<text x="{LEFT - 5}" y="{y(value) + 3.5:.1f}" class="right">{value:g}</text>')
    for at in ticks(low_t, high_t, 10):
        parts.append(f'<path class="grid" d="M{x(at):.1f} {TOP}V{HEIGHT - BOTTOM}"/>')
        parts.append(f'<text x="{x(at):.1f}" y="{HEIGHT - BOTTOM + 14}" class="middle">{at:g}</text>')
    return parts


def _path(line: PlotLine, x: Scale, y: Scale, low_t: float, high_t: float) -> str:
    t, values = _decimated(line.t, line.values, low_t, high_t)
    parts, pen_down, last = [], False, 0.0
    for at, value in zip(t.tolist(), values.tolist(), strict=True):
        if not isfinite(value):
            pen_down = False
            continue
        draw = pen_down and at - last <= max(LONGEST_GAP_S, 2.0 * (high_t - low_t) / (WIDTH - LEFT - RIGHT))
        parts.append(f"{'L' if draw else 'M'}{x(at):.1f} {y(value):.1f}")
        pen_down, last = True, at
    return "".join(parts)


def _decimated(t: Floats, values: Floats, low_t: float, high_t: float) -> tuple[Floats, Floats]:
    """Keep the first, least, greatest and last value of each pixel, and every value that is no number."""
    pixels = WIDTH - LEFT - RIGHT
    if len(t) <= 3 * pixels:
        return t, values
    column = np.clip(((t - low_t) / (high_t - low_t) * pixels).astype(np.int64), 0, pixels - 1)
    starts = np.flatnonzero(np.concatenate(([True], np.diff(column) > 0)))
    stops = np.concatenate((starts[1:], [len(t)]))
    keep = ~np.isfinite(values)
    keep[starts] = keep[stops - 1] = True
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        part = values[start:stop]
        if np.isfinite(part).any():
            keep[start + int(np.nanargmin(np.where(np.isfinite(part), part, np.nan)))] = True
            keep[start + int(np.nanargmax(np.where(np.isfinite(part), part, np.nan)))] = True
    return t[keep], values[keep]
