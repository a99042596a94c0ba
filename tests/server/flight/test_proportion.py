"""Exact bounds on a failure rate, against scipy.stats over a grid and against closed forms."""

from __future__ import annotations

import pytest
from scipy.stats import beta, binomtest

from server.flight.proportion import two_sided, upper_bound

TRIES = [1, 2, 3, 5, 10, 20, 59, 100, 300, 1000]
GRID = [(k, n) for n in TRIES for k in sorted({0, 1, 2, n // 10, n // 3, n // 2, n - 1, n}) if k <= n]


@pytest.mark.parametrize(("failures", "tries"), GRID)
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.999])
def test_the_upper_bound_is_the_beta_quantile(failures: int, tries: int, confidence: float) -> None:
    expected = 1.0 if failures == tries else beta.ppf(confidence, failures + 1, tries - failures)
    assert upper_bound(failures, tries, confidence) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("failures", "tries"), GRID)
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.999])
def test_both_sides_are_scipys_exact_interval(failures: int, tries: int, confidence: float) -> None:
    expected = binomtest(failures, tries).proportion_ci(confidence_level=confidence, method="exact")
    low, high = two_sided(failures, tries, confidence)
    assert low == pytest.approx(expected.low, rel=1e-8, abs=1e-15)
    assert high == pytest.approx(expected.high, rel=1e-9)


@pytest.mark.parametrize("tries", [1, 10, 59, 1000, 100_000])
def test_without_failures_the_bound_has_a_closed_form(tries: int) -> None:
    """(1 - p)^n = alpha; 59 is the least number of tries without failure that shows a rate under 5 %."""
    assert upper_bound(0, tries) == pytest.approx(-(0.05 ** (1 / tries)) + 1, rel=1e-8)
    assert upper_bound(0, 58) > 0.05 > upper_bound(0, 59)


def test_many_tries_lose_no_digits() -> None:
    assert upper_bound(5000, 10_000) == pytest.approx(beta.ppf(0.95, 5001, 5000), rel=1e-8)
    assert upper_bound(3, 1_000_000) == pytest.approx(beta.ppf(0.95, 4, 999_997), rel=1e-7)


def test_stopping_at_the_first_failure_is_on_the_safe_side() -> None:
    """The bound of a trial that ends with its first failure at try n is exact with 0 of n - 1; ours is never below."""
    for tries in (2, 5, 30, 400):
        assert upper_bound(1, tries) > upper_bound(0, tries - 1)


def test_nothing_tried_says_nothing_and_nonsense_is_refused() -> None:
    assert upper_bound(0, 0) == 1.0
    assert two_sided(0, 0) == (0.0, 1.0)
    for failures, tries, confidence in [(-1, 3, 0.95), (4, 3, 0.95), (1, 3, 1.0), (1, 3, 0.0), (0, 10**7, 0.95)]:
        with pytest.raises(ValueError):
            upper_bound(failures, tries, confidence)
        with pytest.raises(ValueError):
            two_sided(failures, tries, confidence)
