"""The thrust stand's own ringing: frequency, damping and size, found in what a firing leaves above its slow part.

A stand is a mass on a spring: it answers to thrust with w^2 F = x'' + 2 z w x' + w^2 x, so that steps ring and what is as
fast as the ringing cannot be told from it. The area under the curve is not changed. Times in s, forces in N, evenly sampled.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

from protocol.arrays import Floats

LEAST_CYCLES, LEAST_HZ = 6.0, 8.0  # of ringing in the record's burn, and a second: chosen
OVER_BELOW, OVER_ABOVE, ABOVE_REST = 1.7, 4.0, 8.0  # over the spectrum below and above it, and at rest: chosen
MOST_DAMPED = 0.15  # what fades faster is the corners of a thrust that rises evenly: chosen
LEAST_SHARE = 0.01  # of the peak, below which ringing is not worth a word: chosen


@dataclass(frozen=True)
class Ringing:
    """Frequency in Hz, damping ratio (rough: by the fading of a filtered band), and greatest amplitude in N."""

    frequency_hz: float
    damping: float
    amplitude_n: float


def ringing(force_n: Floats, rest_n: Floats, step_s: float, peak_n: float) -> Ringing | None:
    """Return the ringing of a burn's forces (n,), sampled every `step_s`; None where nothing stands out.

    `rest_n`, (m,), is what the cell shows without thrust: what hums there is no ringing.
    """
    if len(force_n) < 64:
        return None
    power, hz = _spectrum(force_n, step_s)
    resting: Floats = np.zeros_like(hz)
    if len(rest_n) >= 64:
        at_rest, at = _spectrum(rest_n, step_s)
        resting = np.interp(hz, at, at_rest)
    lowest = max(LEAST_CYCLES / (step_s * len(force_n)), LEAST_HZ)
    best, found = 0.0, 0.0
    for f in np.geomspace(lowest, 0.45 / step_s, 400) if lowest < 0.45 / step_s else ():
        line = _mean(power, hz, 0.96 * f, 1.04 * f)
        below = line / max(_mean(power, hz, 0.55 * f, 0.75 * f), 1e-30)
        above = line / max(_mean(power, hz, 1.35 * f, 1.8 * f), 1e-30)
        is_new = line > ABOVE_REST * _mean(resting, hz, 0.96 * f, 1.04 * f)
        if is_new and below > OVER_BELOW and above > OVER_ABOVE and below * above > best:
            best, found = below * above, float(f)
    return _measured(force_n, found, step_s, peak_n) if best else None


def _mean(power: Floats, hz: Floats, low: float, high: float) -> float:
    """Return the mean power between two frequencies, of the nearest line where none lies between; 0 beyond the last."""
    first, last = np.searchsorted(hz, (low, high)).tolist()
    if first >= len(hz):
        return 0.0
    return float(power[first : max(last, first + 1)].mean())


def _spectrum(force: Floats, step_s: float) -> tuple[Floats, Floats]:
    """Return the power per sample of the differences, where what is slower than the ringing shows less, and Hz.

    The window is whole where the record begins, at rest, and falls to nothing at its end: ringing is strongest at first.
    """
    change = np.diff(force)
    window = np.cos(0.5 * pi * np.arange(len(change)) / len(change)) ** 2
    power = np.abs(np.fft.rfft(change * window)) ** 2 / np.sum(window**2)
    hz: Floats = np.fft.rfftfreq(len(change), step_s).astype(np.float64)
    return power, hz


def _measured(force: Floats, hz: float, step_s: float, peak_n: float) -> Ringing | None:
    """Return size and damping by the envelope of the band about a frequency, from its greatest on."""
    from scipy.signal import butter, hilbert, sosfiltfilt

    band = [0.6 * hz, min(1.5 * hz, 0.48 / step_s)]
    passed = sosfiltfilt(butter(2, band, "bandpass", fs=1.0 / step_s, output="sos"), force)
    envelope: Floats = np.abs(hilbert(passed))
    at = int(np.argmax(envelope))
    greatest = float(envelope[at])
    if greatest < LEAST_SHARE * peak_n:
        return None
    after = envelope[at:]
    low = np.flatnonzero(after < 0.2 * greatest)
    until = max(int(low[0]) if len(low) else len(after), 4)
    t = np.arange(min(until, len(after))) * step_s
    decay = -float(np.polyfit(t, np.log(np.maximum(after[: len(t)], 1e-12)), 1)[0]) if len(t) > 3 else 0.0
    damping = max(0.0, decay / (2.0 * pi * hz))
    return Ringing(hz, damping, greatest) if damping < MOST_DAMPED else None
