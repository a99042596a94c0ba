"""Does the loop swing by itself while control is on: a line in the spectrum of roll rate and fins, with its significance.

The periodogram of unevenly spaced samples by least squares (N. R. Lomb 1976; from memory), against a null that is no white
noise: slow change as a polynomial, and what the air does as a Gauss-Markov process, both fitted first. A frequency's gain in
likelihood follows F under the null; the best of many is judged by the number of independent ones (the span of frequencies
times the seconds). A line counts as the loop's own swinging only if the fins have it too, if it is no smaller late than
early (the answer to the gate dies away), and if it is large enough to matter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.stats import f as fisher

from protocol.arrays import Floats
from server.flight.unmeasured import Unmeasured

Samples = tuple[Floats, Floats]  # times (s) and values

SLOWEST_TURNS = 4.0  # in the time looked at: slower, a swing is no different from a drift
FASTEST_HZ = 12.0  # of telemetry at 20 Hz and more from sensors that are not read together; common practice, no source
PER_RESOLUTION = 6  # frequencies tried a frequency that can be told from the next
MEMORIES_S, PUSH_SHARES = (0.05, 0.2, 0.8), (0.0, 3.0, 30.0, 300.0, 3e3)
FEWEST, SHORTEST_S = 24, 0.8
# Chosen on the odd seeds of calm and of swinging simulated flights; what they did on the even ones: tests/accuracy.
SURE = 1e-4
LEAST_RATE_RAD_S, LEAST_FIN_RAD = 0.05, 0.002
LEAST_KEPT = 0.5  # of the fins' amplitude, the later half over the earlier; the rate's falls with the dynamic pressure
MOST_SAMPLES = 400


@dataclass(frozen=True, slots=True)
class Swing:
    """The likeliest line: Hz, with its 95 % interval; amplitudes of rate (rad/s) and fins (rad) and one sigma of each.

    `chance` is how often noise alone has so clear a line in the rate, `fin_chance` at that frequency in the fins;
    `kept` the fins' amplitude in the later half over that in the earlier. `is_limit_cycle` is the verdict.
    """

    frequency_hz: float
    low_hz: float
    high_hz: float
    rate_rad_s: float
    rate_sigma_rad_s: float
    fin_rad: float
    fin_sigma_rad: float
    chance: float
    fin_chance: float
    kept: float
    is_limit_cycle: bool


def limit_cycle(rates_rad_s: Sequence[Samples], fins_rad: Samples, start_s: float, end_s: float) -> Swing | Unmeasured:
    """Look for a swing between two times, control on and the answer to the gate over.

    `rates_rad_s` holds (times, roll rate) of each sensor, `fins_rad` (times, mean deflection), shape (n,) each.
    """
    t, rate = _between([_without_mean(samples, start_s, end_s) for samples in rates_rad_s], start_s, end_s)
    fin_t, fin = _between([fins_rad], start_s, end_s)
    if end_s - start_s < SHORTEST_S or t.size < FEWEST or fin_t.size < FEWEST // 2:
        return Unmeasured("control was on too shortly, or too little of it was heard, to see it swing")
    seconds = float(t[-1] - t[0])
    slowest = SLOWEST_TURNS / seconds
    fastest = min(FASTEST_HZ, 0.5 * t.size / seconds)
    if fastest <= slowest:
        return Unmeasured("too few roll rates were heard to see it swing")
    tried = np.arange(slowest, fastest, 1.0 / (PER_RESOLUTION * seconds))
    rate_lines, fin_lines = _Lines.of(t, rate), _Lines.of(fin_t, fin)
    gains = np.array([rate_lines.at(one).gain for one in tried])
    best = float(tried[int(np.argmax(gains))])
    line, fins = rate_lines.at(best), fin_lines.at(best)
    once = float(fisher.sf(line.gain * rate_lines.degrees / 2.0, 2, rate_lines.degrees))
    chance = -float(np.expm1((fastest - slowest) * seconds * np.log1p(-min(once, 1.0 - 1e-12))))
    fin_chance = float(fisher.sf(fins.gain * fin_lines.degrees / 2.0, 2, fin_lines.degrees))
    kept = _kept(fin_t, fin, best)
    near = tried[np.log1p(gains) * rate_lines.degrees / 2.0 >= np.log1p(gains.max()) * rate_lines.degrees / 2.0 - 1.92]
    around = near[np.abs(near - best) <= 1.0 / seconds]
    step = 0.5 / (PER_RESOLUTION * seconds)
    swings = chance < SURE and fin_chance < SURE and kept >= LEAST_KEPT
    swings &= line.amplitude >= LEAST_RATE_RAD_S and fins.amplitude >= LEAST_FIN_RAD
    return Swing(
        best, float(around.min()) - step, float(around.max()) + step, line.amplitude, line.sigma, fins.amplitude, fins.sigma,
        chance, fin_chance, kept, swings,
    )  # fmt: skip


def _without_mean(samples: Samples, start_s: float, end_s: float) -> Samples:
    """Take each sensor's own mean away, so that sensors with different constant errors go together."""
    t, values = np.asarray(samples[0], np.float64), np.asarray(samples[1], np.float64)
    there = (t >= start_s) & (t <= end_s) & np.isfinite(values)
    return t[there], values[there] - (values[there].mean() if there.any() else 0.0)


def _between(samples: Sequence[Samples], start_s: float, end_s: float) -> Samples:
    t = np.concatenate([np.asarray(times, np.float64) for times, _ in samples])
    values = np.concatenate([np.asarray(some, np.float64) for _, some in samples])
    there = np.flatnonzero((t >= start_s) & (t <= end_s) & np.isfinite(values))
    order = there[np.argsort(t[there], kind="stable")]
    order = order[:: -(-order.size // MOST_SAMPLES) or 1]
    return t[order], values[order]


@dataclass(frozen=True, slots=True)
class _Line:
    """One frequency: how much it takes of what was left, as a share of what remains, and its amplitude."""

    gain: float
    amplitude: float
    sigma: float


@dataclass(frozen=True)
class _Lines:
    """Samples whitened under the null: what `whiten` makes of them, the slow change taken out."""

    t: Floats
    whiten: Floats
    slow: Floats  # orthonormal columns, whitened
    left: Floats
    degrees: int

    @classmethod
    def of(cls, t: Floats, values: Floats) -> _Lines:
        """Fit slow change and noise by restricted likelihood over a grid."""
        around = 2.0 * (t - t[0]) / (t[-1] - t[0]) - 1.0
        slow = np.polynomial.legendre.legvander(around, 2)
        apart = np.abs(t[:, None] - t[None, :])
        best, likeliest = None, -np.inf
        degrees = t.size - 3
        for memory, share in product(MEMORIES_S, PUSH_SHARES):
            factor = np.linalg.cholesky(np.eye(t.size) + share * np.exp(-apart / memory))
            whiten = np.linalg.inv(factor)
            columns, r = np.linalg.qr(whiten @ slow)
            y = whiten @ values
            left = y - columns @ (columns.T @ y)
            variance = max(float(left @ left), 1e-20) / degrees
            likelihood = -0.5 * degrees * np.log(variance) - np.log(np.diag(factor)).sum() - np.log(np.abs(np.diag(r))).sum()
            if likelihood > likeliest:
                best, likeliest = (whiten, columns, left), likelihood
        assert best is not None
        return cls(t, *best, degrees - 2)

    def at(self, frequency_hz: float) -> _Line:
        """Return the line of a frequency."""
        turns = 2.0 * np.pi * frequency_hz * (self.t - self.t[0])
        columns = self.whiten @ np.stack([np.cos(turns), np.sin(turns)], axis=1)
        columns -= self.slow @ (self.slow.T @ columns)
        product_ = columns.T @ columns
        beta = np.linalg.solve(product_ + 1e-12 * np.trace(product_) * np.eye(2), columns.T @ self.left)
        taken = float(beta @ (columns.T @ self.left))
        remains = max(float(self.left @ self.left) - taken, 1e-20)
        variance = remains / self.degrees * np.linalg.inv(product_ + 1e-12 * np.trace(product_) * np.eye(2))
        amplitude = float(np.hypot(*beta))
        way = beta / max(amplitude, 1e-12)
        return _Line(taken / remains, amplitude, float(np.sqrt(way @ variance @ way)))


def _kept(t: Floats, values: Floats, frequency_hz: float) -> float:
    """Return the amplitude of the later half over that of the earlier, by plain least squares in each."""
    middle = 0.5 * (t[0] + t[-1])
    sizes = []
    for half in (t <= middle, t > middle):
        turns = 2.0 * np.pi * frequency_hz * t[half]
        columns = np.stack([np.ones_like(turns), t[half] - middle, np.cos(turns), np.sin(turns)], axis=1)
        beta = np.linalg.lstsq(columns, values[half], rcond=1e-10)[0]
        sizes.append(float(np.hypot(beta[2], beta[3])))
    return sizes[1] / max(sizes[0], 1e-12)
