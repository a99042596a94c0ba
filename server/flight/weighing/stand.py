"""A static test's record of force as thrust: offset taken off, burn time, impulse and its doubt, peak, ringing.

- Offset: a straight line through what the cell shows at rest before ignition and one through what it shows after burn-out,
  each carried to its end of the burn, and a line between. It also takes off the propellant's weight on an upright stand.
- Burn time: from 5 % of the peak on the rise to 5 % of it on the fall; average thrust: total impulse over burn time. Source:
  usage of NFPA 1125 and of the safety codes (from memory; tests/SOURCES.md, static-thrust).
- Impulse: the area under the samples as they are, tail included. No filter touches it.
- Peak and curve: a Butterworth low pass of second order, forward and backward, so that nothing is delayed; its cut-off (3 dB
  of both passes together) is told, and what it does to peak and rise. Where the stand rings it lies below the ringing, and
  what is left of the stand's answer is taken back by its equation of motion.

SI units: s, N.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, pi, sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.errors import Problem
from server.flight.weighing.burn_ends import crossing, fall
from server.flight.weighing.pendulum import Measured
from server.flight.weighing.rest import Offset, longest_burn, offset_of
from server.flight.weighing.ringing import Ringing, ringing
from server.flight.weighing.thrust_points import area_under

BURN_SHARE = 0.05  # of the peak: where a burn begins and ends. Source: as above
CELL_SCALE = 0.005  # standard deviation of a load cell's scale, as a share: chosen, for a cell calibrated with weights
SAMPLES_AT_MOST, LEAST_IN_BURN, LEAST_FORCE_SIGMAS = 2_000_000, 20, 8.0
CUTOFF_HZ, CUTOFF_OF_RATE, CUTOFF_OF_RINGING = 100.0, 0.2, 0.4  # of sampling rate and ringing: chosen
PATH = 0.15  # how far the offset may be from a line between its ends, as a share of their difference: chosen
FILTER_SHARE = 0.5  # of what half the cut-off takes off the peak, as doubt of what the cut-off itself took: chosen
UNSEEN_S = 0.002  # by which a stand whose ringing is not seen may shift an end of the burn: chosen
UNSEEN, UNSEEN_QUICK, UNSEEN_STEPS = 0.015, 0.08, 4.0  # and the peak, as a share; and where a rise has fewer samples: chosen
PATH_AT_END = 0.2  # the same where the burn ends
SMEAR_OF_RINGING = 0.12  # periods of the ringing by which the stand's answer blurs an end of the burn: chosen
ROOT_2_PASSES = (
    0.802  # a second-order Butterworth run twice is 3 dB down at this share of its own cut-off: (sqrt 2 - 1)^(1/4)
)


class StandProblem(Problem):
    """A record of force that tells no thrust; the text is one plain sentence."""


@dataclass(frozen=True)
class Firing:
    """A static test. `t_s` from ignition (5 % of the peak) and `thrust_n`, both (n,): even samples, filtered.

    `rise_s` and `raw_rise_s` run from 10 to 90 % of the peak, `raw_peak_n` is the greatest sample.
    """

    t_s: Floats
    thrust_n: Floats
    ignition_s: float
    burn_s: Measured
    impulse: Measured
    mean: Measured
    peak: Measured
    raw_peak_n: float
    rise_s: float
    raw_rise_s: float
    cutoff_hz: float
    rate_hz: float
    offset: Offset
    ringing: Ringing | None
    gap_s: float
    turned: bool


def firing(t_s: Floats, force_n: Floats, scale: float = CELL_SCALE, cutoff_hz: float | None = None) -> Firing:
    """Return what a record of force, (n,) at times (n,), tells; `scale` is the doubt of the cell's scale, as a share.

    Force may point either way. Raises StandProblem with the reason where no firing can be read.
    """
    t, force = _ordered(t_s, force_n)
    rough = longest_burn(t, force, BURN_SHARE)
    if rough is None:
        raise StandProblem("Nothing in this record stands out of the noise as a burn.")
    if rough.turned:
        force = -force
    inside = (t >= rough.begin_s) & (t <= rough.end_s)
    if int(inside.sum()) < LEAST_IN_BURN:
        raise StandProblem(f"Only {int(inside.sum())} samples lie in the burn; at least {LEAST_IN_BURN} are needed.")
    offset = offset_of(t, force, rough.begin_s, rough.end_s)
    if offset is None:
        raise StandProblem("Half a second at rest is needed before ignition and after the burn has settled.")
    net = force - offset.at(t)
    step = float(np.median(np.diff(t)))
    even = np.arange(t[0], t[-1], step)
    raw: Floats = np.interp(even, t, net)
    burning = (even >= offset.until_s) & (even <= offset.settled_s)
    rest = raw[(even < offset.until_s) & (even >= offset.from_s)]
    rings = ringing(raw[burning], rest, step, float(raw.max()))
    cutoff = _cutoff(step, rings, cutoff_hz)
    smooth = without_stand(low_passed(raw, step, cutoff), step, rings)
    noise = float(np.std(rest))
    top = int(np.argmax(smooth))
    slower = without_stand(low_passed(raw, step, 0.5 * cutoff), step, rings)
    peak = _peak(smooth, float(slower.max()), noise * sqrt(2.0 * cutoff * step), rings, cutoff)
    rise = _rise(even, raw, top, peak.value)
    if rings is None:
        unseen = UNSEEN_QUICK if rise < UNSEEN_STEPS * step else UNSEEN
        peak = Measured(peak.value, hypot(peak.sigma, unseen * peak.value))
    if peak.value < LEAST_FORCE_SIGMAS * noise:
        raise StandProblem(f"The greatest force, {peak.value:.3g} N, hardly stands out of the noise of {noise:.2g} N.")
    level = BURN_SHARE * peak.value
    clear = raw if noise < level / 5.0 else smooth
    begin = crossing(even, clear, smooth, top, level, noise)
    offset_n = hypot(offset.sigma_end_n, PATH_AT_END * (offset.end_n - offset.begin_n))
    end = fall(even, raw, smooth, top, level, noise, offset_n, BURN_SHARE * peak.sigma)
    if begin is None or end is None:
        raise StandProblem("The record does not show where the burn begins and ends.")
    blur = SMEAR_OF_RINGING / rings.frequency_hz if rings else UNSEEN_S
    burn = Measured(end.value - begin.value, hypot(begin.sigma, end.sigma, blur))
    impulse = _impulse(t, net, offset, burn.value, scale)
    shown = (even >= begin.value - 2.0 / cutoff) & (even <= max(offset.settled_s, end.value + 2.0 / cutoff))
    within = np.diff(t)[(t[:-1] >= begin.value) & (t[1:] <= end.value)]
    return Firing(
        t_s=even[shown] - begin.value,
        thrust_n=smooth[shown],
        ignition_s=begin.value,
        burn_s=burn,
        impulse=impulse,
        mean=Measured(impulse.value / burn.value, impulse.value / burn.value * hypot(impulse.share, burn.share)),
        peak=Measured(peak.value, hypot(peak.sigma, scale * peak.value)),
        raw_peak_n=float(raw.max()),
        rise_s=_rise(even, smooth, top, peak.value),
        raw_rise_s=rise,
        cutoff_hz=cutoff,
        rate_hz=1.0 / step,
        offset=offset,
        ringing=rings,
        gap_s=float(within.max()) if len(within) else 0.0,
        turned=rough.turned,
    )


def low_passed(force_n: Floats, step_s: float, cutoff_hz: float) -> Floats:
    """Return even samples (n,) filtered forward and backward; 3 dB down at the cut-off, nothing delayed. Source: scipy."""
    from scipy.signal import butter, sosfiltfilt

    once = min(cutoff_hz / ROOT_2_PASSES * step_s * 2.0, 0.99)
    filtered: Floats = sosfiltfilt(butter(2, once, output="sos"), force_n)
    return filtered


def without_stand(force_n: Floats, step_s: float, rings: Ringing | None) -> Floats:
    """Return the force on the stand of what its cell showed, even filtered samples (n,): F = x + 2 z x' / w + x'' / w^2."""
    if rings is None:
        return force_n
    w = 2.0 * pi * rings.frequency_hz
    rate = np.gradient(force_n, step_s)
    on_it: Floats = force_n + 2.0 * rings.damping / w * rate + np.gradient(rate, step_s) / w**2
    return on_it


def _ordered(t_s: Floats, force_n: Floats) -> tuple[Floats, Floats]:
    good = np.isfinite(t_s) & np.isfinite(force_n)
    t, first = np.unique(t_s[good], return_index=True)
    if not 2 * LEAST_IN_BURN <= len(t) <= SAMPLES_AT_MOST:
        raise StandProblem(f"A record of {len(t)} samples tells no thrust.")
    if (t[-1] - t[0]) / float(np.median(np.diff(t))) > SAMPLES_AT_MOST:
        raise StandProblem("The times of this record lie too far apart to be one firing.")
    return t, force_n[good][first]


def _cutoff(step_s: float, rings: Ringing | None, asked_hz: float | None) -> float:
    """Return the cut-off: as asked, else as high as the samples and the ringing allow."""
    most = 0.4 / step_s
    if asked_hz is not None:
        if not 0.0 < asked_hz <= most:
            raise StandProblem(f"A cut-off lies between 0 and {most:.3g} Hz for these samples.")
        return asked_hz
    return min(CUTOFF_HZ, CUTOFF_OF_RATE / step_s, CUTOFF_OF_RINGING * rings.frequency_hz if rings else np.inf)


def _peak(smooth: Floats, half_as_fast: float, noise: float, rings: Ringing | None, cutoff_hz: float) -> Measured:
    """Return the filtered peak, doubted by noise and ringing left in it, and by what half the cut-off takes off it."""
    peak = float(smooth.max())
    left = 0.0
    if rings is not None:  # what the filter lets through of it
        left = rings.amplitude_n / (1.0 + (rings.frequency_hz * ROOT_2_PASSES / cutoff_hz) ** 4)
    return Measured(peak, hypot(noise, left, FILTER_SHARE * (peak - half_as_fast)))


def _impulse(t: Floats, net: Floats, offset: Offset, burn_s: float, scale: float) -> Measured:
    """Return the area from the end of the rest before to the beginning of the rest after."""
    inside = (t >= offset.until_s) & (t <= offset.settled_s)
    area = area_under(t[inside], net[inside])
    if area <= 0.0:
        raise StandProblem("The area under the force is not above zero: the offsets before and after do not fit it.")
    span = offset.settled_s - offset.until_s
    line = 0.5 * span * hypot(offset.sigma_begin_n, offset.sigma_end_n)
    path = PATH * abs(offset.end_n - offset.begin_n) * burn_s
    return Measured(area, hypot(sqrt(offset.density * span), line, path, scale * area))


def _rise(t: Floats, force: Floats, top: int, peak: float) -> float:
    """Return the time (s) from the first passing of 10 % of the peak to the first of 90 %; 0 where it begins above."""
    passed = []
    for share in (0.1, 0.9):
        above = np.flatnonzero(force[: top + 1] >= share * peak)
        if not len(above) or above[0] == 0:
            return 0.0
        at = int(above[0]) - 1
        passed.append(t[at] + (t[at + 1] - t[at]) * (share * peak - force[at]) / (force[at + 1] - force[at]))
    return float(passed[1] - passed[0])
