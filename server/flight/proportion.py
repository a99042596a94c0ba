"""How often does it fail? Exact bounds on a failure rate from failures counted in a number of tries.

Source: C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in the case of the
binomial", Biometrika 26(4), 1934, pages 404-413. Tails are summed in log space, so that ten thousand tries neither
underflow nor lose digits, and the bound is found by bisection.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, lgamma, log, log1p

import numpy as np

from protocol.arrays import Floats

CONFIDENCE = 0.95
TRIES_AT_MOST = 1_000_000
_HALVINGS = 1100  # enough to reach the smallest float; it stops as soon as halving changes nothing


def upper_bound(failures: int, tries: int, confidence: float = CONFIDENCE) -> float:
    """Return the one-sided exact upper bound on the failure rate: the p with P(X <= failures | tries, p) = 1 - confidence.

    With such a rate, a result this good or better is seen in no more than 1 - confidence of all trials. 1.0 when every
    try failed or nothing was tried. A trial that stops at its first failure gives a bound on the safe side: the chance
    of a first failure this late or later is (1 - p)^(tries - 1), which is never above P(X <= 1). Raises ValueError for
    counts or a confidence that make no sense. Source: Clopper and Pearson 1934.
    """
    _check(failures, tries, confidence)
    return _upper(failures, tries, 1.0 - confidence)


def two_sided(failures: int, tries: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Return the two-sided exact interval of the failure rate: each side misses with (1 - confidence) / 2 at most.

    (0, 1) when nothing was tried. Raises ValueError as `upper_bound`. Source: Clopper and Pearson 1934.
    """
    _check(failures, tries, confidence)
    alpha = (1.0 - confidence) / 2.0
    return _lower(failures, tries, alpha), _upper(failures, tries, alpha)


def _check(failures: int, tries: int, confidence: float) -> None:
    if not 0 <= failures <= tries <= TRIES_AT_MOST:
        raise ValueError(f"{failures} failures of {tries} tries make no sense")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence of {confidence} makes no sense")


def _upper(failures: int, tries: int, alpha: float) -> float:
    if failures == tries:
        return 1.0
    log_chance = _log_chance(0, failures, tries)
    return _bisect(lambda p: log_chance(p) > log(alpha))


def _lower(failures: int, tries: int, alpha: float) -> float:
    if failures == 0:
        return 0.0
    log_chance = _log_chance(failures, tries, tries)
    return _bisect(lambda p: log_chance(p) < log(alpha))


def _log_chance(first: int, last: int, tries: int) -> Callable[[float], float]:
    """Return the function p -> ln P(first <= X <= last) of the binomial distribution."""
    counts = np.arange(first, last + 1, dtype=np.float64)
    ways = np.array([_log_choose(tries, k) for k in range(first, last + 1)])

    def log_chance(p: float) -> float:
        terms: Floats = ways + counts * log(p) + (tries - counts) * log1p(-p)
        greatest = float(terms.max())
        return greatest + log(float(np.exp(terms - greatest).sum()))

    return log_chance


def _log_choose(tries: int, k: int) -> float:
    return lgamma(tries + 1) - lgamma(k + 1) - lgamma(tries - k + 1)


def _bisect(too_small: Callable[[float], bool]) -> float:
    """Return the p in (0, 1) below which `too_small` holds. Halves ln p while p is small, so that digits are kept."""
    low, high = exp(-700.0), 1.0
    for _ in range(_HALVINGS):
        middle = exp((log(low) + log(high)) / 2.0) if high < 0.5 else (low + high) / 2.0
        if not low < middle < high:
            break
        if too_small(middle):
            low = middle
        else:
            high = middle
    return (low + high) / 2.0
