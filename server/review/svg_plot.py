"""Strips over time as one inline SVG (SVG 1.1 elements, no script, no reference to anything outside), one below the other.

A line of any length is drawn from the smallest and greatest value of each pixel's stretch, so that no spike is lost; where
a value is not a number the line breaks. Ticks are at round numbers (1, 2 or 5 times a power of ten). What happened is named
once, above all strips, in as many rows as the names need not to lie on each other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from math import ceil, floor, isfinite, log10

import numpy as np

from protocol.arrays import Floats
from server.flight.units import MINUS

WIDTH = 620
LEFT, RIGHT, TOP, BOTTOM = 46, 14, 4, 20
STRIP, TITLE, GAP, LANE = 62, 15, 5, 14
LETTER = 6.4  # px of a letter of a label at most, on the safe side of common fonts at 10.5 px
TICKS_APART = 13.0  # px between the numbers of an axis
LONGEST_GAP_S = 1.5
Scale = Callable[[float], float]
"""Turns a time or a value into a place on the chart."""


@dataclass(frozen=True)
class PlotLine:
    """One line of a strip: times (s) and values of one length, in order of time, and the name in the legend."""

    name: str
    t: Floats
    values: Floats


@dataclass(frozen=True)
class Strip:
    """One quantity over time."""

    title: str
    unit: str
    lines: Sequence[PlotLine]

    @property
    def heading(self) -> str:
        """Its title with the unit."""
        return f"{self.title}, {self.unit}" if self.unit else self.title


@dataclass(frozen=True)
class Mark:
    """Something that happened: time, name, and in which row above the strips its name stands."""

    t: float
    name: str
    lane: int


def strips(title: str, shown: Sequence[Strip], low_t: float, high_t: float, marks: Iterable[tuple[float, str]]) -> str:
    """Return an SVG element that shows strips from `low_t` to `high_t` with vertical marks at some times."""
    inside = sorted((at, name) for at, name in marks if low_t <= at <= high_t)
    right = float(WIDTH - RIGHT)
    if inside and high_t > low_t:  # the last name must fit as well
        right = min(right, *(_fitting(at, name, low_t, high_t) for at, name in inside))
    x = _scale(low_t, high_t, LEFT, right) if high_t > low_t else (lambda at: float(LEFT))
    placed = in_lanes(inside, x)
    top = TOP + LANE * (1 + max((mark.lane for mark in placed), default=-1))
    height = top + len(shown) * (TITLE + STRIP + GAP) - GAP + BOTTOM
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escape(title)}">'
    ]
    tops = [top + number * (TITLE + STRIP + GAP) + TITLE for number in range(len(shown))]
    for mark in placed:
        y = TOP + LANE * mark.lane
        through = "".join(f"M{x(mark.t):.1f} {strip}v{STRIP}" for strip in tops)  # not through the titles between them
        parts.append(f'<path class="mark" d="M{x(mark.t):.1f} {y}V{top}{through}"/>')
        parts.append(f'<text x="{x(mark.t) + 3:.1f}" y="{y + 10}" class="event">{escape(mark.name)}</text>')
    for strip, strip_top in zip(shown, tops, strict=True):
        parts += _strip(strip, strip_top, x, low_t, high_t, right)
    if high_t > low_t:
        for at in ticks(low_t, high_t, 8):
            parts.append(f'<text x="{x(at):.1f}" y="{height - BOTTOM + 13}" class="middle">{tick_text(at)}</text>')
    return "".join([*parts, "</svg>"])


def _fitting(at: float, name: str, low_t: float, high_t: float) -> float:
    """Return where the axis must end so that a name beside its time ends within the picture."""
    share = (at - low_t) / (high_t - low_t)
    room = WIDTH - 2 - 3 - LETTER * len(name)
    return LEFT + (room - LEFT) / share if share > 0 else float(WIDTH - RIGHT)


def in_lanes(marks: Sequence[tuple[float, str]], x: Scale) -> list[Mark]:
    """Return marks in order of time, each in a row where its name crosses neither a name nor the line of another mark.

    A line goes down from its own row, so a name must end before the next line of its row or of one above; each mark takes
    the row below the last one whose name reaches so far.
    """
    ends: list[float] = []
    placed = []
    for at, name in marks:
        place = x(at)
        lane = max((row + 1 for row, end in enumerate(ends) if end >= place - 2), default=0)
        ends[lane:] = [place + 3 + LETTER * len(name)]
        placed.append(Mark(at, name, lane))
    return placed


def _strip(strip: Strip, top: float, x: Scale, low_t: float, high_t: float, right: float) -> list[str]:
    inside = [_cut(line, low_t, high_t) for line in strip.lines]
    finite = np.concatenate([line.values[np.isfinite(line.values)] for line in inside] or [np.zeros(0)])
    parts = [f'<text x="{LEFT}" y="{top - 4}" class="title">{escape(strip.heading)}</text>']
    if not len(finite) or not high_t > low_t:
        return [*parts, f'<text x="{LEFT}" y="{top + STRIP / 2}">nothing was heard of it</text>']
    low, high = _range(float(finite.min()), float(finite.max()))
    y = _scale(low, high, top + STRIP, top)
    parts += _grid(x, y, low_t, high_t, low, high, top, right)
    for number, line in enumerate(inside):
        parts.append(f'<path class="line{number}" d="{_path(line, x, y, low_t, high_t)}"/>')
        if len(inside) > 1:
            place = right - 90 * (len(inside) - number) + 90
            parts.append(f'<text x="{place}" y="{top - 4}" class="name{number}">{escape(line.name)}</text>')
    return parts


def _cut(line: PlotLine, low_t: float, high_t: float) -> PlotLine:
    inside = (line.t >= low_t) & (line.t <= high_t)
    return PlotLine(line.name, line.t[inside], line.values[inside])


def _range(low: float, high: float) -> tuple[float, float]:
    room = 0.05 * (high - low)
    if room <= 1e-9 * max(abs(low), abs(high), 1.0):
        room = max(0.05 * abs(high), 0.5)
    return (0.0 if 0.0 <= low < room else low - room), high + room  # what is never below zero is not drawn there


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


def tick_text(value: float) -> str:
    """Return a number of an axis, a true minus before it."""
    return f"{value:g}".replace("-", MINUS)


def _grid(x: Scale, y: Scale, low_t: float, high_t: float, low: float, high: float, top: float, right: float) -> list[str]:
    parts = []
    last = float("inf")
    for value in ticks(low, high, 3):
        parts.append(f'<path class="grid" d="M{LEFT} {y(value):.1f}H{right:.1f}"/>')
        if last - y(value) >= TICKS_APART:
            last = y(value)
            parts.append(f'<text x="{LEFT - 5}" y="{last + 3.5:.1f}" class="right">{tick_text(value)}</text>')
    for at in ticks(low_t, high_t, 8):
        parts.append(f'<path class="grid" d="M{x(at):.1f} {top}V{top + STRIP}"/>')
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
