"""Did the cord part: the half that is heard suddenly comes down slower, with nothing left that could have opened?

Terminal speed goes as the square root of the weight (tests/SOURCES.md, terminal-speed), so a rate that falls to a share s
means that s^2 of the weight hangs on. A main parachute does the same to a rate; so the earlier stage must be one that needs
no other parachute to explain it: a main after a faster stage, one at the sheet's rate under all parachutes, or slower than
drogues are. Rising air does it too, so the change must be larger than `RISING_M_S` and quick.

Where the other half comes down: it fell from the same place at once, bare, at anything from `BARE_M_S[0]` (a light tube
across the air) to `BARE_M_S[1]`, and drifted for as long. All these numbers are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt

from server.flight.descent.recovery import CIRCLE_95, NAVIGATION_SIGMA_M, POWER
from server.flight.descent.stages import DROGUE, MAIN, MAIN_M_S, Stage

LONG_S, QUICK_S = 8.0, 4.0
RISING_M_S, SURE_SIGMAS = 2.0, 4.0
LEAST_SHARE, GREATEST_SHARE = 0.3, 0.85
NO_DROGUE_M_S = 9.0
SHEET_SHARE = 1.25
BARE_M_S = (6.0, 60.0)


@dataclass(frozen=True)
class Parting:
    """When it became slower (s), how high it was (m), sea-level rates before and after (m/s), the share of weight kept."""

    t_s: float
    height_m: float
    before_m_s: float
    after_m_s: float
    share_kept: float
    share_sigma: float


def parting(stages: Sequence[Stage], all_open_m_s: float | None) -> Parting | None:
    """Return the first change of stage that only a lost part explains; `all_open_m_s`: the sheet's rate at sea level."""
    for place, (one, two) in enumerate(zip(stages, stages[1:], strict=False)):
        slow = one.sea_level_m_s <= (MAIN_M_S if place and stages[place - 1].kind == DROGUE else NO_DROGUE_M_S)
        as_told = all_open_m_s is not None and one.sea_level_m_s <= SHEET_SHARE * all_open_m_s
        if one.kind == two.kind == MAIN and (slow or as_told) and _is_step(one, two):
            share = two.sea_level_m_s / one.sea_level_m_s
            doubt = hypot(one.sea_level_sigma_m_s / one.sea_level_m_s, two.sea_level_sigma_m_s / two.sea_level_m_s)
            return Parting(
                0.5 * (one.end_s + two.start_s), two.top_m, one.sea_level_m_s, two.sea_level_m_s, share**2,
                2.0 * share**2 * doubt,
            )  # fmt: skip
    return None


def _is_step(one: Stage, two: Stage) -> bool:
    slower = one.sea_level_m_s - two.sea_level_m_s
    sigma = hypot(one.sea_level_sigma_m_s, two.sea_level_sigma_m_s)
    return (
        LEAST_SHARE <= two.sea_level_m_s / one.sea_level_m_s <= GREATEST_SHARE
        and slower > max(RISING_M_S, SURE_SIGMAS * sigma)
        and min(one.end_s - one.start_s, two.end_s - two.start_s) >= LONG_S
        and two.start_s - one.end_s <= QUICK_S
    )


def bare_half(
    place_m: tuple[float, float, float], wind_m_s: tuple[float, float], wind_sigma_m_s: float
) -> tuple[float, float, float]:
    """Return east, north (m) of the middle of where the other half lies, and a radius (m) for 95 %.

    `place_m`: east, north, up at the parting; `wind_m_s`: east, north at 10 m with one sigma per axis.
    """
    east, north, up = place_m
    quick_s, slow_s = (up / rate * (up / 10.0) ** POWER / (1.0 + POWER) for rate in reversed(BARE_M_S))
    middle_s, half_s = 0.5 * (quick_s + slow_s), 0.5 * (slow_s - quick_s)
    sigma = sqrt(NAVIGATION_SIGMA_M**2 + (wind_sigma_m_s * slow_s) ** 2)
    reach = hypot(*wind_m_s) * half_s
    return east + wind_m_s[0] * middle_s, north + wind_m_s[1] * middle_s, reach + CIRCLE_95 * sigma
