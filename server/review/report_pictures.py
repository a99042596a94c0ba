"""A flight in space as inline SVG: from the side and from above. Pure: from a path and its moments to elements.

Both are drawn with one scale for both axes, so that an angle on paper is the angle it was. Names stand where they lie on no
other name; one that had to go farther off has a line to its place.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from math import ceil, cos, hypot, sin

import numpy as np

from server.flight.units import METRIC, Units
from server.review.flight_path import FlightPath
from server.review.svg_plot import LETTER, tick_text, ticks

WIDTH = 460
SIDE_HEIGHT, PLAN_HEIGHT = 330, 330
EDGE = 26
LINE_HEIGHT = 13.0
NOSE_EVERY_S, NOSE_PX = 0.25, 14.0
POINTS_AT_MOST = 400
SIDES = ((1, 0), (-1, 0), (1, -1), (1, 1), (-1, -1), (-1, 1))
STEPS = (0.0, 16.0, 32.0, 48.0, 64.0, 80.0, 110.0, 150.0)
Place = Callable[[float, float], tuple[float, float]]
"""Turns two distances into a place in the picture."""


@dataclass(frozen=True)
class Box:
    """A rectangle that something is written in."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box) -> bool:
        """Tell whether both cover some same place."""
        return self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom


class Names:
    """Puts names beside places so that none lies on another, inside a picture."""

    def __init__(self, width: float, height: float) -> None:
        self._width, self._height = width, height
        self.taken: list[Box] = []

    def put(self, x: float, y: float, name: str) -> list[str]:
        """Return the elements of a name for a place; where no room is left, none: the list of moments has it as well."""
        wide = LETTER * len(name)
        for step in STEPS:
            for right, down in SIDES:
                left = x + right * (7 + (step if down == 0 else 0)) - (wide if right < 0 else 0)
                top = y + down * (4 + step) - LINE_HEIGHT / 2
                box = Box(left, top, left + wide, top + LINE_HEIGHT)
                inside = box.left >= 1 and box.top >= 1 and box.right <= self._width - 1 and box.bottom <= self._height - 1
                if inside and not any(box.meets(other) for other in self.taken):
                    self.taken.append(box)
                    written = f'<text x="{left:.1f}" y="{top + 10:.1f}" class="event">{escape(name)}</text>'
                    end = left if right > 0 else left + wide
                    line = f'<path class="leader" d="M{x:.1f} {y:.1f}L{end:.1f} {top + LINE_HEIGHT / 2:.1f}"/>'
                    return [line, written] if step > 0 else [written]
        return []


def side_picture(
    path: FlightPath, moments: Sequence[tuple[float, str]], apogee_t: float | None, units: Units = METRIC
) -> str:
    """Return height against the distance toward where the flight ended, the nose as ticks until the top, places named."""
    east, north = path.places[-1, :2]
    far = hypot(east, north) or 1.0
    along = path.places[:, :2] @ np.array([east / far, north / far])
    up = path.places[:, 2]
    left, right = min(float(along.min()), 0.0), max(float(along.max()), 0.0)
    high = max(float(up.max()), 1.0)
    scale = min((WIDTH - 2 * EDGE - 150) / max(right - left, 1e-6), (SIDE_HEIGHT - 2 * EDGE) / high)
    begin = EDGE + 24 - left * scale

    def place(distance: float, height: float) -> tuple[float, float]:
        return begin + distance * scale, SIDE_HEIGHT - EDGE - max(height, -2.0) * scale

    parts = [_head(SIDE_HEIGHT, "The flight from the side")]
    names = Names(WIDTH, SIDE_HEIGHT)
    ground = place(0, 0)[1]
    parts.append(f'<path class="ground" d="M{EDGE + 22} {ground:.1f}H{WIDTH - 4}"/>')
    for value in ticks(0.0, units.height_of(high), 4):
        y = ground - value / units.height_of(1.0) * scale
        label = f"{tick_text(value)} {units.height}"
        parts.append(f'<path class="grid" d="M{EDGE + 22} {y:.1f}H{WIDTH - 4}"/>')
        box = Box(0, y - 7, EDGE + 22, y + 7)
        names.taken.append(box)
        parts.append(f'<text x="{EDGE + 18}" y="{y + 3.5:.1f}" class="right">{label}</text>')
    top_t = apogee_t if apogee_t is not None else float(path.t[-1])
    points = [(float(t), *place(float(a), float(u))) for t, a, u in zip(path.t, along, up, strict=True)]
    parts += _line(((x, y) for t, x, y in points if t <= top_t), "up")
    parts += _line(((x, y) for t, x, y in points if t >= top_t), "down")
    parts += _nose_ticks(path, top_t, (east / far, north / far), place)
    for t, name in moments:
        e, n, u = path.at(t)
        x, y = place((e * east + n * north) / far, u)
        parts.append(f'<circle class="spot" cx="{x:.1f}" cy="{y:.1f}" r="3"/>')
        parts += names.put(x, y, name)
    return "".join([*parts, "</svg>"])


def _nose_ticks(path: FlightPath, top_t: float, toward: tuple[float, float], place: Place) -> list[str]:
    if not len(path.nose_t):
        return []
    parts = []
    for t in np.arange(float(path.t[0]), top_t, NOSE_EVERY_S).tolist():
        index = int(np.abs(path.nose_t - t).argmin())
        if abs(float(path.nose_t[index]) - t) > NOSE_EVERY_S:
            continue
        e, n, u = path.at(t)
        x, y = place(e * toward[0] + n * toward[1], u)
        ahead = float(path.nose[index, 0] * toward[0] + path.nose[index, 1] * toward[1])
        rises = float(path.nose[index, 2])
        parts.append(f"M{x:.1f} {y:.1f}l{NOSE_PX * ahead:.1f} {-NOSE_PX * rises:.1f}")
    return [f'<path class="nose" d="{"".join(parts)}"/>'] if parts else []


def plan_picture(
    path: FlightPath,
    moments: Sequence[tuple[float, str]],
    apogee_t: float | None,
    spot: tuple[float, float, float] | None,
    wind_toward_rad: float | None = None,
    units: Units = METRIC,
) -> str:
    """Return the flight from above, north up, with rings by distance.

    `spot` is where it lies: m east and north of the pad, and the radius that holds it with 95 %.
    """
    east, north = path.places[:, 0], path.places[:, 1]
    reach = float(np.hypot(east, north).max())
    if spot is not None:
        reach = max(reach, hypot(spot[0], spot[1]) + spot[2])
    rings = [value for value in ticks(0.0, units.height_of(max(reach, 1.0)) * 1.05, 4) if value > 0]
    scale = (PLAN_HEIGHT / 2 - EDGE) / max(reach, rings[-1] / units.height_of(1.0) if rings else 1.0)
    middle, center = WIDTH / 2, PLAN_HEIGHT / 2

    def place(e: float, n: float) -> tuple[float, float]:
        return middle + e * scale, center - n * scale

    parts = [_head(PLAN_HEIGHT, "The flight from above, north up")]
    names = Names(WIDTH, PLAN_HEIGHT)
    for value in rings:
        radius = value / units.height_of(1.0) * scale
        parts.append(f'<circle class="ring" cx="{middle}" cy="{center}" r="{radius:.1f}"/>')
    for value in rings:  # on the side where the flight did not go
        radius, away = value / units.height_of(1.0) * scale, -1 if north[-1] >= 0 else 1
        label = f"{tick_text(value)} {units.height}"
        y = center - away * radius
        box = Box(middle - LETTER * len(label) / 2, y - 7, middle + LETTER * len(label) / 2, y + 7)
        if not any(box.meets(other) for other in names.taken):
            names.taken.append(box)
            parts.append(f'<text x="{middle}" y="{y + 3.5:.1f}" class="middle ringed">{label}</text>')
    parts.append(f'<path class="north" d="M{WIDTH - 30} 50V18l-5 9m5 -9l5 9"/>')
    parts.append(f'<text x="{WIDTH - 30}" y="64" class="middle">N</text>')
    names.taken.append(Box(WIDTH - 42, 10, WIDTH - 18, 70))
    if wind_toward_rad is not None:
        x, y = 46.0, 38.0
        dx, dy = 20 * sin(wind_toward_rad), -20 * cos(wind_toward_rad)
        barbs = "".join(
            f"M{x + dx:.1f} {y + dy:.1f}l{-9 * sin(wind_toward_rad + turn):.1f} {9 * cos(wind_toward_rad + turn):.1f}"
            for turn in (-0.5, 0.5)
        )
        parts.append(f'<path class="wind" d="M{x - dx:.1f} {y - dy:.1f}L{x + dx:.1f} {y + dy:.1f}{barbs}"/>')
        parts.append(f'<text x="{x}" y="76" class="middle">wind</text>')
        names.taken.append(Box(16, 8, 78, 82))
    top_t = apogee_t if apogee_t is not None else float(path.t[-1])
    points = [(float(t), *place(float(e), float(n))) for t, e, n in zip(path.t, east, north, strict=True)]
    parts += _line(((x, y) for t, x, y in points if t <= top_t), "up")
    parts += _line(((x, y) for t, x, y in points if t >= top_t), "down")
    if spot is not None:
        x, y = place(spot[0], spot[1])
        parts.append(f'<circle class="within" cx="{x:.1f}" cy="{y:.1f}" r="{max(spot[2] * scale, 4.0):.1f}"/>')
    parts.append(f'<path class="pad" d="M{middle - 4} {center - 4}h8v8h-8z"/>')
    for at, name in [(None, "pad"), *moments]:
        x, y = (middle, center) if at is None else place(*path.at(at)[:2])
        if at is not None:
            parts.append(f'<circle class="spot" cx="{x:.1f}" cy="{y:.1f}" r="3"/>')
        parts += names.put(x, y, name)
    return "".join([*parts, "</svg>"])


def _head(height: float, title: str) -> str:
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escape(title)}">'


def _line(points: Iterable[tuple[float, float]], kind: str) -> list[str]:
    every = list(points)
    step = max(1, ceil(len(every) / POINTS_AT_MOST))
    kept = every[::step] + (every[-1:] if (len(every) - 1) % step else [])
    if len(kept) < 2:
        return []
    return [f'<path class="{kind}" d="M{"L".join(f"{x:.1f} {y:.1f}" for x, y in kept)}"/>']
