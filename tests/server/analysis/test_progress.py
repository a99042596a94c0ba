"""What is told between the moments of a flight: leaning, sinking, and a fall that nothing slows."""

from __future__ import annotations

from math import degrees

import numpy as np
import pytest

from server.flight.descent.unbraked import UnbrakedWatch
from server.twin.scenario import Scenario
from tests.server.flight.twin_flights import fly, heard

G_M_S2 = 9.80665


def words(
    drop_m: np.ndarray, every_s: float = 0.05, one_canopy_m_s: float | None = None, from_m: float = 900.0
) -> list[tuple[float, bool]]:
    """Return when (s after apogee) the watch changes its word over drops (m) given at a steady rate."""
    watch, told = UnbrakedWatch(one_canopy_m_s), []
    watch.begin(0.0, from_m)
    for i, drop in enumerate(drop_m.tolist()):
        change = watch.take(i * every_s, from_m - drop)
        if change is not None:
            told.append((i * every_s, change))
    return told


def fall(terminal_m_s: float, seconds: float, every_s: float = 0.05, noise_m: float = 0.0) -> np.ndarray:
    """Return how far a body has dropped that falls from rest against drag of its speed squared (any mechanics textbook)."""
    t_s = np.arange(0.0, seconds, every_s)
    dropped = terminal_m_s**2 / G_M_S2 * np.log(np.cosh(G_M_S2 * t_s / terminal_m_s))
    return dropped + noise_m * np.random.default_rng(1).standard_normal(len(t_s))


@pytest.mark.parametrize("terminal_m_s", [60.0, 90.0, 200.0])
@pytest.mark.parametrize("every_s", [0.02, 0.05, 0.2])
def test_a_body_that_only_its_own_drag_holds_is_told_within_five_seconds(terminal_m_s: float, every_s: float) -> None:
    told = words(fall(terminal_m_s, 12.0, every_s, noise_m=0.5), every_s)
    assert [change for _, change in told] == [True]
    assert 4.0 <= told[0][0] < 5.0


def test_from_high_up_it_is_told_by_its_rate_when_it_has_had_time_to_slow_down() -> None:
    told = words(fall(90.0, 12.0), from_m=4000.0)
    assert [change for _, change in told] == [True] and 6.0 < told[0][0] < 10.0


@pytest.mark.parametrize("terminal_m_s", [5.0, 12.0, 20.0, 26.0, 32.0])
def test_what_hangs_under_any_usual_canopy_is_not(terminal_m_s: float) -> None:
    assert words(fall(terminal_m_s, 60.0, noise_m=2.0)) == []


def test_what_loses_its_canopy_later_is_told_by_its_rate() -> None:
    slow = fall(26.0, 20.0)
    told = words(np.concatenate([slow, slow[-1] + fall(90.0, 15.0)]))
    assert [change for _, change in told] == [True] and 24.0 < told[0][0] < 30.0


def test_by_the_sheet_two_halves_that_tumble_are_told_and_the_canopy_they_have_is_not() -> None:
    assert words(fall(27.0, 20.0)) == [], "without a sheet that may be a drogue"
    told = words(fall(27.0, 20.0), one_canopy_m_s=9.0)
    assert [change for _, change in told] == [True] and told[0][0] < 5.0
    for rate in (5.4, 9.0, 14.0):
        assert words(fall(rate, 30.0), one_canopy_m_s=9.0) == []


def test_a_charge_that_waits_calls_the_fall_off() -> None:
    free = fall(90.0, 5.0)
    told = words(np.concatenate([free, free[-1] + 6.0 * np.arange(0.05, 20.0, 0.05)]))
    assert [change for _, change in told] == [True, False]


def test_numbers_that_are_none_change_nothing() -> None:
    drop = fall(90.0, 8.0)
    drop[::3] = np.nan
    assert [change for _, change in words(drop)] == [True]


def test_the_rate_is_over_some_seconds() -> None:
    watch = UnbrakedWatch()
    assert np.isnan(watch.rate_m_s)
    for i in range(200):
        watch.take(0.05 * i, 100.0 - 6.0 * 0.05 * i + 3.0 * (-1) ** i)
    assert watch.rate_m_s == pytest.approx(6.0, abs=0.3)


def test_a_flight_without_canopies_raises_the_alarm_in_the_air() -> None:
    entries = fly(Scenario("no-canopy", "No parachute opens", {"recovery.canopy_opens": (False, False)}), 1).entries
    apogee, landing = (
        next(e for e in entries if (e.topic, e.key) == ("moment", key)).number("t") for key in ("apogee", "landing")
    )
    alarms = [e for e in entries if (e.topic, e.key) == ("alarm", "unbraked")]
    assert [e.body["state"] for e in alarms] == ["raised", "cleared"]
    assert apogee + 3.0 < alarms[0].t < apogee + 7.0 and alarms[0].t < landing - 1.0
    assert alarms[0].severity == "warning" and alarms[0].number("height_m") > 100.0


def test_leaning_is_told_once_for_each_mark_and_sinking_every_ten_seconds() -> None:
    entries = heard("calm").entries
    leans = [degrees(e.number("tilt_rad")) for e in entries if (e.topic, e.key) == ("progress", "leaning")]
    assert leans == sorted(leans) and all(lean >= 20.0 for lean in leans)
    apogee = next(e for e in entries if (e.topic, e.key) == ("moment", "apogee")).number("t")
    sinks = [e for e in entries if (e.topic, e.key) == ("progress", "sinking")]
    assert np.allclose(np.diff([e.t for e in sinks]), 10.0, atol=0.1) and 5.0 <= sinks[0].t - apogee < 6.0
    assert all(-7.0 < e.number("climb_m_s") < -4.0 and e.text == "" for e in sinks)
