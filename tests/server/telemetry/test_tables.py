"""Tables and columns of a session."""

from __future__ import annotations

from server.telemetry.computed_tables import COMPUTED_TABLES
from server.telemetry.tables import table_specs
from tests.protocol.helpers import SMALL
from tests.server.flights import dictionary


def test_packets_first_in_the_dictionarys_order_then_what_is_computed() -> None:
    specs = table_specs(dictionary())
    assert list(specs) == [*dictionary().packets, *COMPUTED_TABLES]
    assert [spec.computed for spec in specs.values()] == [False] * len(dictionary().packets) + [True] * len(COMPUTED_TABLES)


def test_every_column_is_either_a_number_or_a_text() -> None:
    spec = table_specs(SMALL)["all"]
    assert spec.texts == ("note",)
    assert len(spec.numeric) + 1 == len(spec.columns) == 15


def test_computed_columns_are_shown_in_their_display_unit() -> None:
    tilt = next(c for c in table_specs(SMALL)["ground_motion"].columns if c.name == "tilt")
    assert (tilt.unit, tilt.display_unit, tilt.role, tilt.path) == ("rad", "deg", "ground.tilt", "ground_motion.tilt")
    assert 3.141592653589793 * tilt.display_scale + tilt.display_offset == 180.0
    loss = next(c for c in table_specs(SMALL)["ground_link"].columns if c.name == "loss")
    assert 0.25 * loss.display_scale + loss.display_offset == 25.0
