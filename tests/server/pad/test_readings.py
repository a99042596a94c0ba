"""What a pad sheet can be asked about beyond roles: wind, agreement of the units, standing warnings, link loss."""

from __future__ import annotations

from math import inf, isinf, isnan, nan

import pytest

from server.design.pad_wind import PadWind
from server.design.sheet_numbers import NOTHING_TOLD, SheetNumbers
from server.pad.readings import PadReadings
from tests.server.pad.pad_world import Values


def units(values: Values, kind: str, a: tuple, b: tuple, rx_s: float = 10.0) -> None:
    for unit, vector in (("a", a), ("b", b)):
        for axis, value in zip("xyz", vector, strict=True):
            values.set(f"{kind}.{unit}.{axis}", value, rx_s)


def test_the_wind_is_the_site_sheets_or_nobodys() -> None:
    assert PadReadings(Values(), SheetNumbers(wind_m_s=3.5)).reading("site.wind", 7.0).value == 3.5
    assert PadReadings(Values(), NOTHING_TOLD).reading("site.wind", 7.0) is None


def test_the_wind_measured_at_the_pad_goes_before_the_sheets() -> None:
    readings = PadReadings(Values(), SheetNumbers(wind_m_s=3.5))
    readings.wind = PadWind(6.6, "")
    assert readings.reading("site.wind", 7.0).value == 6.6


def test_the_units_are_as_far_apart_as_their_vectors_and_as_old_as_the_older_one() -> None:
    values = Values()
    readings = PadReadings(values, NOTHING_TOLD)
    assert readings.reading("units.force_apart", 10.0) is None
    units(values, "accel", (1.0, 2.0, 9.0), (1.0, 5.0, 5.0))
    values.set("accel.a.y", 2.0, 8.0)
    found = readings.reading("units.force_apart", 10.0)
    assert (found.value, found.rx_s) == (5.0, 8.0)  # 3, 4, 5
    assert readings.reading("units.rate_apart", 10.0) is None
    units(values, "gyro", (0.0, 0.0, 0.1), (0.0, 0.0, -0.1))
    assert readings.reading("units.rate_apart", 10.0).value == pytest.approx(0.2)


def test_what_is_no_number_in_a_unit_stays_none() -> None:
    values = Values()
    units(values, "accel", (nan, 0.0, 0.0), (0.0, 0.0, 0.0))
    units(values, "gyro", (inf, 0.0, 0.0), (0.0, 0.0, 0.0))
    readings = PadReadings(values, NOTHING_TOLD)
    assert isnan(readings.reading("units.force_apart", 10.0).value)
    assert isinf(readings.reading("units.rate_apart", 10.0).value)


def test_standing_warnings_are_counted_cautions_and_cleared_ones_are_not() -> None:
    readings = PadReadings(Values(), NOTHING_TOLD)
    readings.follow("a", "warning", {"state": "raised"})
    readings.follow("b", "caution", {"state": "raised"})
    readings.follow("c", "warning", {"state": "raised"})
    assert readings.reading("ground.warnings", 1.0).value == 2.0
    readings.follow("a", "info", {"state": "cleared"})
    readings.follow("never raised", "info", {"state": "cleared"})
    assert readings.reading("ground.warnings", 1.0).value == 1.0


def test_no_loss_is_told_where_nothing_was_ever_heard() -> None:
    values = Values()
    readings = PadReadings(values, NOTHING_TOLD)
    values.set("ground.link_loss", 0.0, 10.0)
    assert readings.reading("ground.link_loss", 10.0) is None
    values.set("ground.link_age", 7.0, 10.0)
    assert readings.reading("ground.link_loss", 10.0).rx_s == 3.0, "as old as the last packet"
