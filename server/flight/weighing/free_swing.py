"""The stretch of a gyro's record in which something swings freely, and about which of the vehicle's axes it does.

Looked for in windows of three periods: one sine of one frequency, that does not grow, explains what all three axes show.
Handling before and after, and a second push, end a stretch. Body axes, z to the nose; rad/s; times in s.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

from protocol.arrays import Floats
from server.flight.weighing.pendulum import PendulumProblem

SLOWEST_HZ, FASTEST_HZ = 0.08, 5.0
BLOCKS_PER_PERIOD = 24  # a faster record is averaged to so many samples a period
LEAST_SAMPLES, SAMPLES_PER_PERIOD, LEAST_SWINGS = 60, 6, 8
WINDOW_PERIODS, HOP_PERIODS, TRIM_PERIODS = 3.0, 0.5, 0.75
EXPLAINED, GROWTH = 0.8, 1.1  # of a window by its sine; a window's amplitude over that of the one before: both chosen
FADED = 0.12  # of the first amplitude, below which a swing tells nothing any more but how it fades: chosen
ALONG, ACROSS = 0.95, 0.3  # share of the axis along the body from which it is the roll axis, below which it lies across
NO_PENDULUM = "Nothing in these turn rates swings freely"


@dataclass(frozen=True)
class FreeSwing:
    """Times (n,) in s and the rate (n,) in rad/s about the axis it swings about, a guess of its frequency, and the axis."""

    t_s: Floats
    rate_rad_s: Floats
    frequency_hz: float
    axis: str  # "lateral" or "roll"


def free_swing(t_s: Floats, rates_rad_s: Floats, axis: str = "auto") -> FreeSwing:
    """Return the longest free swing of a record: times (n,) and rates (n, 3). `axis` is "auto", "lateral" or "roll".

    Raises PendulumProblem with the reason where there is none.
    """
    t, rates = _ordered(t_s, rates_rad_s)
    if len(t) < LEAST_SAMPLES:
        raise PendulumProblem(f"{NO_PENDULUM}: {len(t)} samples of the gyro are too few.")
    frequency = _strongest_hz(t, rates)
    step = float(np.median(np.diff(t)))
    if frequency * step * SAMPLES_PER_PERIOD > 1.0:
        fast = f"the strongest oscillation, {frequency:.2f} Hz, is too fast for {1.0 / step:.0f} samples a second"
        raise PendulumProblem(f"{NO_PENDULUM}: {fast}.")
    start, stop = _longest_run(t, rates, frequency)
    if (t[stop - 1] - t[start]) * frequency < LEAST_SWINGS:
        raise PendulumProblem(
            f"{NO_PENDULUM} for {LEAST_SWINGS} periods or more: let it swing undisturbed, and send it off once."
        )
    t, rates = _averaged(t[start:stop], rates[start:stop], 1.0 / (BLOCKS_PER_PERIOD * frequency))
    direction = _direction(t, rates, frequency)
    found = _axis_of(direction)
    if axis not in ("auto", found):
        raise PendulumProblem(f"The {axis} axis was asked for, but what swings is the {found} axis.")
    return FreeSwing(t, rates @ direction, frequency, found)


def _ordered(t_s: Floats, rates: Floats) -> tuple[Floats, Floats]:
    good = np.isfinite(rates).all(axis=1) & np.isfinite(t_s)
    t, first = np.unique(t_s[good], return_index=True)
    return t, rates[good][first]


def _strongest_hz(t: Floats, rates: Floats) -> float:
    """Return the frequency with the most power of all axes together, of the record brought to even steps."""
    step = max(float(np.median(np.diff(t))), (t[-1] - t[0]) / 500_000)
    even = np.arange(t[0], t[-1], step)
    power: Floats = np.zeros(0)
    for column in rates.T:
        y = np.interp(even, t, column)
        y = y - np.polyval(np.polyfit(even - even[0], y, 1), even - even[0])
        one = np.abs(np.fft.rfft(y * np.hanning(len(y)), 4 * len(y))) ** 2
        power = one if not len(power) else power + one
    frequency = np.fft.rfftfreq(4 * len(even), step)
    within = (frequency >= SLOWEST_HZ) & (frequency <= FASTEST_HZ)
    if not within.any() or not power[within].max() > 0.0:
        raise PendulumProblem(f"{NO_PENDULUM}: they do not change.")
    return float(frequency[within][np.argmax(power[within])])


def _longest_run(t: Floats, rates: Floats, frequency: float) -> tuple[int, int]:
    """Return the longest stretch [start, stop) in which every window is one sine that does not grow."""
    period = 1.0 / frequency
    best, run, first, before = (0, 0), (0, 0), 0.0, 0.0
    for at in np.arange(t[0], t[-1] - WINDOW_PERIODS * period, HOP_PERIODS * period):
        start, stop = np.searchsorted(t, (at, at + WINDOW_PERIODS * period)).tolist()
        amplitude = _swinging(t[start:stop], rates[start:stop], frequency)
        if amplitude is None:
            run, before = (0, 0), 0.0
            continue
        if not run[1] or amplitude > before * GROWTH:
            run, first = (start, stop), amplitude
        elif amplitude >= FADED * first:
            run = (run[0], stop)
        before = amplitude
        best = max(best, run, key=lambda one: one[1] - one[0])
    # The first and the last window may hold some of the hand that let go or stopped it.
    ends = (t[best[0]] + TRIM_PERIODS * period, t[max(best[1] - 1, 0)] - TRIM_PERIODS * period)
    start, stop = np.searchsorted(t, ends).tolist()
    return (start, stop) if stop > start + 1 else (0, 1)


def _averaged(t: Floats, rates: Floats, block_s: float) -> tuple[Floats, Floats]:
    """Return times and rates averaged over blocks of time, each with the mean of its own times."""
    block = np.floor((t - t[0]) / block_s).astype(np.int64)
    _, place, count = np.unique(block, return_inverse=True, return_counts=True)
    t_mean, *means = (np.bincount(place, values) / count for values in (t, *rates.T))
    return t_mean, np.column_stack(means)


def _swinging(t: Floats, rates: Floats, frequency: float) -> float | None:
    """Return the amplitude (rad/s, of all axes together) where a sine explains a window, else None."""
    if len(t) < WINDOW_PERIODS * SAMPLES_PER_PERIOD * 0.7:
        return None
    coefficients, rest = _sine(t, rates, frequency)
    varied = float(np.sum((rates - rates.mean(axis=0)) ** 2))
    if varied <= 0.0 or float(np.sum(rest**2)) > (1.0 - EXPLAINED) * varied:
        return None
    return float(np.sqrt(np.sum(coefficients[:2] ** 2)))


def _sine(t: Floats, rates: Floats, frequency: float) -> tuple[Floats, Floats]:
    phase = 2.0 * pi * frequency * (t - t[0])
    basis = np.column_stack([np.cos(phase), np.sin(phase), np.ones(len(t)), t - t[0]])
    coefficients = np.linalg.lstsq(basis, rates, rcond=None)[0]
    return coefficients, rates - basis @ coefficients


def _direction(t: Floats, rates: Floats, frequency: float) -> Floats:
    """Return the unit vector of the axis that swings, by windows, so that a drifting phase does not matter."""
    outer, window = np.zeros((3, 3)), WINDOW_PERIODS / frequency
    for at in np.arange(t[0], t[-1] - window, window):
        start, stop = np.searchsorted(t, (at, at + window)).tolist()
        if stop - start > SAMPLES_PER_PERIOD:
            pair = _sine(t[start:stop], rates[start:stop], frequency)[0][:2]
            outer += pair.T @ pair
    direction: Floats = np.linalg.eigh(outer)[1][:, -1]
    largest = float(direction[np.argmax(np.abs(direction))])
    return direction if largest > 0.0 else -direction


def _axis_of(direction: Floats) -> str:
    along = abs(float(direction[2]))
    if along > ALONG:
        return "roll"
    if along < ACROSS:
        return "lateral"
    raise PendulumProblem(
        "What swings lies neither across the vehicle nor along it: hang it level for the lateral axis, upright for roll."
    )
