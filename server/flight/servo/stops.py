"""End stops: a fin that stands, where it was told to go on. Told from settled angles only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from server.flight.servo.drive import SETTLED_S, Samples, last_change, quiet_noise

LEVEL_RAD = 0.002  # commands closer together are one level; our choice
LEAST_SHORT_RAD = 0.01  # so far short of where the others point is no play; our choice


@dataclass(frozen=True, slots=True)
class Stops:
    """Travel as measured and as asked (rad, greatest and least of all), and where it stands at an end stop.

    `asked_low`, `asked_high`: the command beyond which the fin goes no further, None where none was met.
    """

    low: float | None = None
    high: float | None = None
    asked_low: float | None = None
    asked_high: float | None = None
    stop_low: float | None = None
    stop_high: float | None = None

    def limited(self, commanded: Floats) -> Floats:
        """Return commands (rad) as far as the fin can follow them."""
        low = -np.inf if self.asked_low is None else self.asked_low
        high = np.inf if self.asked_high is None else self.asked_high
        return np.clip(commanded, low, high)


def find_stops(commanded: Samples, measured: Samples) -> Stops:
    """Return travel and end stops from cleaned samples; three levels of command below a stop are needed to see it."""
    level, mean = _levels(commanded, measured)
    low, high = float(measured[1].min()), float(measured[1].max())
    if len(level) < 5:
        return Stops(low, high)
    apart = max(LEAST_SHORT_RAD, 5.0 * quiet_noise(commanded, measured))
    asked_low, stop_low = _stop(level, mean, apart)
    asked_high, stop_high = _stop(-level[::-1], -mean[::-1], apart)
    reverse = None if asked_high is None or stop_high is None else (-asked_high, -stop_high)
    asked_high, stop_high = reverse if reverse else (None, None)
    return Stops(low, high, asked_low, asked_high, stop_low, stop_high)


def _levels(commanded: Samples, measured: Samples) -> tuple[Floats, Floats]:
    """Return the levels of command at which the fin had time to settle, ascending, and the mean angle there."""
    settled = (last_change(*commanded, measured[0]) > 0.7 * SETTLED_S) & (measured[0] <= commanded[0][-1])
    after = np.clip(np.searchsorted(commanded[0], measured[0][settled], side="right") - 1, 0, len(commanded[0]) - 1)
    asked, angle = commanded[1][after], measured[1][settled]
    order = np.argsort(asked, kind="stable")
    asked, angle = asked[order], angle[order]
    group = np.concatenate(([0], np.cumsum(np.diff(asked) > LEVEL_RAD))) if len(asked) else np.zeros(0, dtype=np.int64)
    count = np.bincount(group, minlength=1).astype(float)
    if not len(asked):
        return asked, angle
    return np.bincount(group, asked) / count, np.bincount(group, angle) / count


def _stop(level: Floats, mean: Floats, apart: float) -> tuple[float | None, float | None]:
    """Return (command, angle) of a stop at the low end, or Nones: how far the lowest levels are from the others' line."""
    for beyond in (2, 1):  # levels at the stop; as many at the other end may stand at another
        inner, angles = level[beyond:-beyond], mean[beyond:-beyond]
        if len(inner) < 3:
            continue
        slope, start = np.polyfit(inner, angles, 1)
        short = (mean[:beyond] - (start + slope * level[:beyond])) * np.sign(slope)
        left = np.abs(angles - (start + slope * inner)).max()
        if (short > max(apart, 3.0 * left)).all():
            angle = float(mean[:beyond].mean())
            return float((angle - start) / slope), angle
    return None, None
