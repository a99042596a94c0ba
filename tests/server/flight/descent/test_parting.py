"""A cord that parts under canopy, against main parachutes, thermals and one rate all the way."""

from __future__ import annotations

from math import hypot

import pytest

from server.flight.air.pad_air import PadAir
from server.flight.descent.heights import heights_of
from server.flight.descent.parting import Parting, bare_half, parting
from server.flight.descent.stages import way_down
from tests.server.flight.descent.test_stages import NOISE_M, Stages, fall


def told(stages: Stages, top_m: float, seed: int = 0, loss: float = 0.0, sheet_m_s: float | None = None) -> Parting | None:
    t, height, landing = fall(stages, top_m, seed, loss)
    found = way_down(heights_of(t, height, 0.0, landing, NOISE_M), PadAir())
    assert found is not None
    return parting(found.stages, sheet_m_s)


@pytest.mark.parametrize("loss", [0.0, 0.15])
def test_slower_under_an_open_canopy_is_a_part_lost_with_its_share_of_the_weight(loss: float) -> None:
    for seed in range(5):
        one = told([(250.0, 8.5), (-9.0, 5.5)], 500.0, seed, loss)
        assert one is not None and one.share_kept == pytest.approx((5.5 / 8.5) ** 2, abs=0.08)
        assert one.height_m == pytest.approx(250.0, abs=25.0)
        after_main = told([(300.0, 25.0), (120.0, 9.0), (-9.0, 6.0)], 900.0, seed, loss)
        assert after_main is not None and after_main.height_m == pytest.approx(120.0, abs=25.0)


@pytest.mark.parametrize(
    "stages",
    [
        [(150.0, 20.0), (-9.0, 6.0)],
        [(150.0, 14.0), (-9.0, 8.0)],
        [(150.0, 11.0), (-9.0, 6.0)],  # a large drogue: nothing says that it is none
        [(250.0, 6.0), (-9.0, 4.5)],  # rising air does as much
        [(-9.0, 6.0)],
        [(250.0, 5.5), (-9.0, 8.5)],
        [(400.0, 65.0), (200.0, 20.0), (-9.0, 7.0)],
    ],
)
def test_what_something_else_explains_is_silent(stages: Stages) -> None:
    for seed in range(5):
        assert told(stages, 700.0, seed) is None


def test_a_sheet_that_tells_the_rate_under_everything_shows_a_loss_at_any_rate() -> None:
    assert told([(250.0, 11.0), (-9.0, 7.0)], 600.0, sheet_m_s=11.0) is not None
    assert told([(250.0, 11.0), (-9.0, 7.0)], 600.0, sheet_m_s=7.0) is None


def test_the_other_half_lies_between_where_it_was_and_where_it_drifts_at_its_slowest() -> None:
    east, north, radius = bare_half((100.0, 0.0, 200.0), (0.0, 5.0), 0.5)
    assert east == 100.0 and 0.0 < north < 5.0 * (200.0 / 6.0) * 1.4
    # Both ends of what is possible are inside.
    assert hypot(east - 100.0, north) <= radius and radius > 40.0
