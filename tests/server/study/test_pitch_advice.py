"""Advice follows the cause, and never makes another one worse."""

from __future__ import annotations

from itertools import product

import pytest

from server.flight.causes.shares import ASKEW, GUST, LINE, MOTOR, TIP_OFF, UNSTABLE, WIND, Share, Shares
from server.flight.causes.verdict import Verdict, verdict_of
from server.study.pitch_advice import ADVICE, BALANCE, advice_of
from server.study.pitch_over import direction

CAUSES = (TIP_OFF, WIND, GUST, LINE, ASKEW, MOTOR)
LESS_MARGIN = "one to two are enough"


def shares(margin: float = 1.5, sigma: float = 0.2, lean: float = 40.0, **degrees: float) -> Shares:
    """Return a decomposition with so many degrees (+- 5) for the causes named by their place in CAUSES: c0, c1, ..."""
    made = tuple(Share(CAUSES[int(key[1:])], deg, deg - 5.0, deg + 5.0, (deg, 0.0)) for key, deg in degrees.items())
    reach = 1.96 * sigma
    return Shares(1.5, lean, 3.0, made, margin, margin - reach, margin + reach, (6.0, 0.0), 1.0, lean)


def told(found: Shares, motor: tuple[float, float] | None = (1.0, 0.02), times: float = 5.0) -> tuple[str, ...]:
    """Return the advice."""
    return advice_of(found, verdict_of(found), 15.0, times, motor)


@pytest.mark.parametrize("place", range(5))
def test_the_largest_share_is_the_cause_and_its_advice_comes(place: int) -> None:
    found = shares(**{f"c{place}": 25.0, f"c{(place + 1) % 5}": 3.0})
    assert verdict_of(found) == Verdict(CAUSES[place], (CAUSES[place],), False)
    assert told(found)[0] == ADVICE[CAUSES[place]]


def test_a_weak_motor_comes_first_where_it_is_one() -> None:
    assert told(shares(c5=12.0, c1=14.0), (0.7, 0.02))[0].startswith("Find out why the motor gave 70 %")
    assert not any("motor gave" in text for text in told(shares(c5=12.0, c1=14.0)))


def test_a_slow_rail_is_named_against_wind_only() -> None:
    assert any("1.5 times the wind" in text for text in told(shares(c1=20.0), times=1.5))
    assert not any("times the wind" in text for text in told(shares(c3=20.0), times=1.5))


def test_an_unstable_one_hears_of_nothing_but_its_balance() -> None:
    for place, margin in product(range(6), (-0.3, -1.5)):
        found = shares(margin, 0.15, **{f"c{place}": 30.0})
        assert verdict_of(found).main == UNSTABLE and told(found, (0.7, 0.02), 1.0) == (BALANCE,)


@pytest.mark.parametrize(("margin", "sigma", "is_told"), [(3.0, 0.3, True), (3.0, 1.0, False), (1.8, 0.1, False)])
def test_less_margin_only_where_it_is_surely_large_and_the_wind_did_it(margin: float, sigma: float, is_told: bool) -> None:
    assert any(LESS_MARGIN in text for text in told(shares(margin, sigma, c2=20.0))) == is_told
    assert not any(LESS_MARGIN in text for text in told(shares(margin, sigma, c3=20.0)))


def test_what_may_be_unstable_hears_of_that_first() -> None:
    assert told(shares(0.2, 0.4, c1=20.0))[0].startswith("First of all check the static margin")
    assert "enlarge the fins" in told(shares(0.6, 0.1, c1=20.0))[-1]


def test_a_straight_flight_hears_nothing() -> None:
    straight = shares(lean=12.0, c1=9.0)
    assert verdict_of(straight) == Verdict(None, (), False) and told(straight) == ()


def test_a_share_whose_doubt_holds_zero_is_not_called_but_may_be_the_main_one() -> None:
    assert verdict_of(shares(c1=4.5)) == Verdict(WIND, (), False)
    assert verdict_of(shares(c1=3.0)) == Verdict(None, (), False)


@pytest.mark.parametrize(
    ("toward", "said"),
    [((-9.0, 1.0), "into the wind"), ((9.0, 1.0), "away from the wind"), ((1.0, 9.0), "across the wind")],
)
def test_where_a_share_took_the_nose(toward: tuple[float, float], said: str) -> None:
    share = Share(GUST, 9.0, 5.0, 12.0, toward)
    assert direction(share, (6.0, 0.0)) == said
    assert direction(share, (0.1, 0.0)).startswith("toward ")
