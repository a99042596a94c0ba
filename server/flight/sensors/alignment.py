"""Two clocks brought together by what both recordings have: offset and drift by cross-correlation and least squares.

First the offset to a few hundredths of a second: both signals on one even grid, standardized, correlated at every lag by
the fast Fourier transform (correlation theorem; any signal-processing text), each lag divided by the energy that overlaps
there. Then offset, drift, scale and constant by Gauss-Newton least squares on the samples themselves, with Huber weights
so that spikes and gaps pull little. Pairs of signals are fitted together: one clock, several witnesses.

Refused, with the reason, when too little overlaps, when nothing moves in it, when the match is poor, or when another
offset would fit nearly as well.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from sys import float_info

import numpy as np
from numpy.typing import ArrayLike

from protocol.arrays import Floats

GRID_S = 0.02
LONGEST_GAP_S = 0.5
LEVEL_GAP_PERIODS = 2.5  # one lost in between; common practice, no source
SHORTEST_OVERLAP_S = 4.0
LONGEST_S = 2 * 86400.0  # of one clock; a longer one is no log of a launch day, and its grid would fill the memory
LEAST_MATCH = 0.6  # correlation coefficient; common practice, no source
LEAST_LEAD = 1.15  # best peak over the second best one; common practice, no source
PEAK_WIDTH_S = 3.0
LEVEL_SMOOTH_S = 1.0  # over which a level's change is taken; shorter than any climb, longer than a barometer's noise
# How late a height comes out of a filter, or a pressure out of its port, no scatter tells: the least that levels alone
# claim. Common practice, no source.
LEVEL_SIGMA_S = 0.01
HUBER = 2.0  # about 95 % efficiency at 1.345 sigma in Huber 1964 (from memory); wider here, since models differ too
ROUNDS = 12
GREATEST_DRIFT = 1e-3
CRYSTALS = 1e-4  # one sigma of the difference of two uncompensated clocks; common practice, no source
MODEL_SMOOTH_S = 0.015
SLOPE_SMOOTH_S = 0.08
SPREAD_SHARE = 0.05
# What all signals get wrong together (shocks that a slow and a quick log show differently) no scatter tells: the least
# that is claimed, from flights of the simulated vehicle, no theory.
LEAST_SIGMA_S = 1e-3
LEAST_DRIFT_SIGMA = 5e-5


@dataclass(frozen=True)
class SignalPair:
    """One signal as both saw it: times (s, each by its own clock) and values of shape (n,) and (m,); NaN is passed over.

    `is_level` for a pressure or a height: it rests long and moves along straight lines, so its change tells the time.
    """

    name: str
    reference_t: Floats
    reference: Floats
    other_t: Floats
    other: Floats
    is_level: bool = False


@dataclass(frozen=True)
class Alignment:
    """reference time = offset_s + (1 + drift) * other time; `refused` says why there is none.

    `sigma_s` is one sigma of the alignment at `middle_s` (the other clock's middle of the overlap), `drift_sigma` that of
    the drift; both are widened by as much as the signals disagree, and have a floor. `match` is the correlation coefficient,
    `lead` how far the best offset beats the next one, `overlap_s` how long both speak.
    """

    offset_s: float = float("nan")
    drift: float = 0.0
    sigma_s: float = float("nan")
    match: float = float("nan")
    lead: float = float("nan")
    overlap_s: float = 0.0
    refused: str = ""
    middle_s: float = 0.0
    drift_sigma: float = 0.0

    def sigma_at(self, other_t: ArrayLike) -> Floats:
        """Return one sigma (s) of the alignment at times of the other clock (s, any shape), offset and drift independent."""
        sigma: Floats = np.hypot(self.sigma_s, self.drift_sigma * (np.asarray(other_t, dtype=np.float64) - self.middle_s))
        return sigma

    def to_reference(self, other_t: ArrayLike) -> Floats:
        """Return times of the other clock (s, any shape) as reference times (s), same shape."""
        return self.offset_s + (1.0 + self.drift) * np.asarray(other_t, dtype=np.float64)


def align(pairs: Sequence[SignalPair]) -> Alignment:
    """Return how the other clock lies on the reference one. Deterministic; never raises for any content.

    Sources: those of the module's text; refused with the reason in words.
    """
    clean = [pair for pair in (_cleaned(pair) for pair in pairs) if pair is not None]
    if not clean:
        return Alignment(refused="the two have no moving signal in common")
    if any(t[-1] - t[0] > LONGEST_S for pair in clean for t in (pair.reference_t, pair.other_t)):
        return Alignment(refused="one of the two goes on for over two days: is its time in another unit?")
    coarse = [_coarse(pair) for pair in clean]
    best = max(range(len(clean)), key=lambda i: coarse[i].match * min(coarse[i].lead, 3.0) if coarse[i].overlap_s else -1.0)
    start = coarse[best]
    if start.overlap_s < SHORTEST_OVERLAP_S:
        return Alignment(refused="the two overlap for too short a time", overlap_s=start.overlap_s)
    if start.match < LEAST_MATCH:
        return Alignment(
            refused=f"no offset makes them agree (best match {start.match:.2f} of 1)", match=start.match, lead=start.lead
        )
    if start.lead < LEAST_LEAD:
        return Alignment(refused="more than one offset fits about equally well", match=start.match, lead=start.lead)
    return _fine(clean, start)


# ---------------------------------------------------------------- first guess


def _cleaned(pair: SignalPair) -> SignalPair | None:
    """Return finite samples in order of time, or None when there are too few or nothing moves."""
    reference_t, reference = _sorted(pair.reference_t, pair.reference)
    other_t, other = _sorted(pair.other_t, pair.other)
    if len(reference_t) < 20 or len(other_t) < 20 or not reference.std() > 0.0 or not other.std() > 0.0:
        return None
    return SignalPair(pair.name, reference_t, reference, other_t, other, pair.is_level)


def _smoothed(t: Floats, x: Floats, seconds: float) -> Floats:
    """Return the mean over about `seconds` around each sample, twice: noise of a quick log would drown its slope."""
    half = int(round(0.5 * seconds / max(float(np.median(np.diff(t))), 1e-6)))
    for _ in range(2 if half else 0):
        total = np.concatenate(([0.0], np.cumsum(x)))
        index = np.arange(len(x))
        low, high = np.maximum(index - half, 0), np.minimum(index + half + 1, len(x))
        x = (total[high] - total[low]) / (high - low)
    return x


def _sorted(t: Floats, x: Floats) -> tuple[Floats, Floats]:
    t, x = np.asarray(t, dtype=np.float64), np.asarray(x, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(x) & (np.abs(x) < 1e12)
    t, index = np.unique(t[good], return_index=True)
    return t, x[good][index]


def _on_grid(t: Floats, x: Floats, is_level: bool) -> tuple[Floats, Floats]:
    """Return standardized values every `GRID_S` from t[0], and 1 where they are known; gaps are zero and unknown.

    Of a level its change: two stretches of rest, or of an even descent, fit each other at any offset.
    """
    grid = np.arange(t[0], t[-1], GRID_S)
    index = np.clip(np.searchsorted(t, grid, side="right"), 1, len(t) - 1)
    known = (t[index] - t[index - 1] <= _longest_gap_s(t, is_level)).astype(np.float64)
    values = np.interp(grid, t, x)
    weight = max(known.sum(), 1.0)
    if is_level and len(grid) > 2:
        values = np.gradient(_smoothed(grid, values, LEVEL_SMOOTH_S))
    else:
        values = values - (values * known).sum() / weight
    spread = np.sqrt((values * values * known).sum() / weight)
    return (values / spread if spread > 0.0 else values) * known, known


def _longest_gap_s(t: Floats, is_level: bool) -> float:
    """Return over which gap values are still known: a level heard seldom is as smooth as one heard often."""
    return max(LONGEST_GAP_S, LEVEL_GAP_PERIODS * float(np.median(np.diff(t)))) if is_level else LONGEST_GAP_S


def _coarse(pair: SignalPair) -> Alignment:
    a, known_a = _on_grid(pair.reference_t, pair.reference, pair.is_level)
    b, known_b = _on_grid(pair.other_t, pair.other, pair.is_level)
    if len(a) < 2 or len(b) < 2:
        return Alignment()
    size = 1 << int(np.ceil(np.log2(len(a) + len(b))))

    def correlate(x: Floats, y: Floats) -> Floats:
        return np.fft.irfft(np.fft.rfft(x, size) * np.conj(np.fft.rfft(y, size)), size)

    cross = correlate(a, b)
    energy = np.maximum(correlate(a * a, known_b), 0.0) * np.maximum(correlate(known_a, b * b), 0.0)
    shared = correlate(known_a, known_b) * GRID_S
    # Little overlap makes high correlations by chance, and so does a stretch in which little moves.
    total = (a * a).sum() * (b * b).sum()
    enough = (shared >= SHORTEST_OVERLAP_S) & (energy > 0.05 * total)
    with np.errstate(divide="ignore", invalid="ignore"):
        match = np.where(enough, cross / np.sqrt(energy), -1.0)
    best = int(match.argmax())
    if match[best] <= 0.0:
        return Alignment(overlap_s=float(shared.max()), match=max(0.0, float(match[best])))
    lags = np.arange(size)
    lags[lags > size // 2] -= size
    apart = np.abs(lags - lags[best]) * GRID_S > PEAK_WIDTH_S
    second = float(match[apart].max()) if apart.any() else 0.0
    # Compare what is left unexplained: 1 - r^2 is the share of the variance that does not match.
    lead = np.sqrt((1.0 - max(second, 0.0) ** 2 + 1e-6) / (1.0 - match[best] ** 2 + 1e-6))
    offset = pair.reference_t[0] - pair.other_t[0] + lags[best] * GRID_S
    return Alignment(float(offset), 0.0, GRID_S, float(match[best]), float(lead), float(shared[best]))


# ---------------------------------------------------------------- to the millisecond


def _fine(pairs: Sequence[SignalPair], start: Alignment) -> Alignment:
    """Refine (offset, drift) over all pairs that agree; each counts by the scatter it really shows."""
    middle = _middle(pairs[0], start)
    offset, drift, sigma, match = start.offset_s, 0.0, start.sigma_s, start.match
    drift_sigma = CRYSTALS
    for _ in range(ROUNDS):
        told = [
            one for pair in pairs if (one := _step(pair, offset, drift, middle)) is not None and one.match >= LEAST_MATCH
        ]
        if not told:
            break
        # What is known beforehand of two crystals keeps a short stretch of signal from inventing a drift.
        information = np.diag([0.0, 1.0 / CRYSTALS**2]) + sum(one.information for one in told)
        right = np.array([0.0, -drift / CRYSTALS**2]) + sum(one.information @ one.change for one in told)
        covariance = np.linalg.inv(information)
        change = np.clip(covariance @ right, [-0.1, -3 * CRYSTALS], [0.1, 3 * CRYSTALS])
        offset, drift = offset + change[0], float(np.clip(drift + change[1], -GREATEST_DRIFT, GREATEST_DRIFT))
        covariance = covariance * _disagreement(told) ** 2
        sigma, match = float(np.sqrt(covariance[0, 0])), min(one.match for one in told)
        drift_sigma = float(np.sqrt(covariance[1, 1]))
        if abs(change[0]) < 1e-6 and abs(change[1]) < 1e-9:
            break
    # `offset` so far holds at the middle of the overlap; write it at the other clock's zero.
    at_zero = offset - drift * middle
    return Alignment(
        float(at_zero),
        drift,
        max(sigma, LEVEL_SIGMA_S if all(pair.is_level for pair in pairs) else LEAST_SIGMA_S),
        float(match),
        start.lead,
        start.overlap_s,
        middle_s=middle,
        drift_sigma=max(drift_sigma, LEAST_DRIFT_SIGMA),
    )


def _disagreement(told: Sequence[_Step]) -> float:
    """Return by how much signals differ beyond what each says of itself: R. T. Birge's ratio (Phys. Rev. 40, 1932, from
    memory), never below 1."""
    if len(told) < 2:
        return 1.0
    chi_squared = sum(float(one.change @ one.information @ one.change) for one in told)
    return float(np.sqrt(max(1.0, chi_squared / (2 * len(told) - 2))))


def _middle(pair: SignalPair, start: Alignment) -> float:
    """Return the middle of the overlap in the other clock's time."""
    low = max(pair.reference_t[0] - start.offset_s, pair.other_t[0])
    high = min(pair.reference_t[-1] - start.offset_s, pair.other_t[-1])
    return 0.5 * float(low + high)


@dataclass(frozen=True)
class _Step:
    """What one pair says: a change of (offset, drift), its information matrix (2, 2), and how well it matches."""

    change: Floats
    information: Floats
    match: float


def _step(pair: SignalPair, offset: float, drift: float, middle: float) -> _Step | None:
    """Return one pair's share of the normal equations at (offset, drift); the finer recording is interpolated."""
    # reference = offset + other + drift (other - middle)  ->  other = middle + (reference - offset - middle)/(1 + drift)
    other_at = middle + (pair.reference_t - offset - middle) / (1.0 + drift)
    index = np.searchsorted(pair.other_t, other_at)
    inside = (index > 0) & (index < len(pair.other_t))
    longest_s = _longest_gap_s(pair.other_t, pair.is_level)
    inside[inside] = (pair.other_t[index[inside]] - pair.other_t[index[inside] - 1]) <= longest_s
    if inside.sum() < 20:
        return None
    at, seen = other_at[inside], pair.reference[inside]
    model = np.interp(at, pair.other_t, _smoothed(pair.other_t, pair.other, MODEL_SMOOTH_S))
    smooth = _smoothed(pair.other_t, pair.other, SLOPE_SMOOTH_S)
    step = max(0.25 * SLOPE_SMOOTH_S, float(np.median(np.diff(pair.other_t))))
    slope = (np.interp(at + step, pair.other_t, smooth) - np.interp(at - step, pair.other_t, smooth)) / (2 * step)
    design = np.column_stack([model, np.ones(len(model))])
    (gain, constant), *_ = np.linalg.lstsq(design, seen, rcond=None)
    missed = seen - gain * model - constant
    # Never finer than a few percent of the signal's own spread: steep stretches tell the time, and fit least well.
    scale = max(1.4826 * float(np.median(np.abs(missed - np.median(missed)))), SPREAD_SHARE * float(seen.std()))
    weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(missed), 1e-300))
    match = float(np.corrcoef(seen, model)[0, 1]) if model.std() > 0.0 and seen.std() > 0.0 else 0.0
    if gain <= 0.0:
        return None
    # d(model)/d(offset) = -slope, d(model)/d(drift) = -slope * (other - middle).
    gradient = np.column_stack([-gain * slope, -gain * slope * (at - middle)])
    # Gain and constant are fitted too: take out of the gradient what they explain.
    gradient -= design @ np.linalg.lstsq(design, gradient, rcond=None)[0]
    scaled = gradient * [1.0, CRYSTALS]
    normal = scaled.T @ (scaled * weight[:, None]) + 1e-12 * np.eye(2)
    inverse = np.linalg.inv(normal)
    change = inverse @ (scaled.T @ (weight * missed))
    # The sandwich form (White 1980, from memory): steep places fit worst, and this counts it.
    meat = scaled.T @ (scaled * (weight * missed)[:, None] ** 2) + 1e-12 * np.eye(2)
    information = np.linalg.inv(inverse @ meat @ inverse + 1e-18 * np.eye(2))
    unscale = np.diag([1.0, 1.0 / CRYSTALS])
    return _Step(change * [1.0, CRYSTALS], unscale @ information @ unscale, match)


def alignment_dict(alignment: Alignment) -> dict[str, object]:
    """Return an alignment for JSON; a number that is none is None."""
    return {name: None if value != value else value for name, value in asdict(alignment).items()}


def alignment_of(held: object) -> Alignment | None:
    """Return an alignment from what `alignment_dict` made, or None when that is not it."""
    if not isinstance(held, Mapping):
        return None
    names = ("offset_s", "drift", "sigma_s", "match", "lead", "overlap_s", "middle_s", "drift_sigma")
    numbers: dict[str, float] = {}
    for name in names:
        value = held.get(name)
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= float_info.max:
            return None
        numbers[name] = float(value)
    return Alignment(
        offset_s=numbers["offset_s"],
        drift=numbers["drift"],
        sigma_s=numbers["sigma_s"],
        match=numbers["match"],
        lead=numbers["lead"],
        overlap_s=numbers["overlap_s"],
        middle_s=numbers["middle_s"],
        drift_sigma=numbers["drift_sigma"],
    )
