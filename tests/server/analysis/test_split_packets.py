"""Attitude in a packet of its own: drag, speed and swing are judged as if it came with the velocity."""

from __future__ import annotations

import numpy as np
import pytest

from server.analysis.flight_log import Window, merged
from server.analysis.pipeline import recorded_output
from server.design.sheet_numbers import SheetNumbers
from tests.server.analysis.hops import Hop, dictionary_of, figures, records_of, said
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, live_output

FORCES = tuple(f"accel.a.{axis}" for axis in "xyz")
ATTITUDE = tuple(f"attitude_quaternion.{part}" for part in "wxyz")
WHERE = tuple(f"{kind}.{axis}" for kind in ("position", "velocity") for axis in ("east", "north", "up"))
BASE = {"air": (20.0, ("pressure",)), "unit": (50.0, FORCES)}
WHOLE = {**BASE, "state": (25.0, (*WHERE, *ATTITUDE))}
SPLIT = {**BASE, "where": (20.0, WHERE), "attitude": (25.0, ATTITUDE)}
FACTS = SheetNumbers(rail_length_m=2.0)


def swaying(role: str, t: np.ndarray, values: np.ndarray) -> np.ndarray:
    return 0.01 * np.sin(3.0 * t) if role == "attitude_quaternion.x" else values


def test_attitude_in_its_own_packet_leaves_no_figure_out() -> None:
    """Seen: no drag, and a swing of "too few samples"."""
    hop = Hop(drag_1_m=0.002)
    told = {}
    for name, layout in (("whole", WHOLE), ("split", SPLIT)):
        dictionary = dictionary_of(layout)
        records = records_of(hop, layout, dictionary, swaying)
        output = recorded_output(dictionary, records, ORIGIN_NS, FACTS)
        assert_same(live_output(dictionary, records, FACTS), output)
        assert said(output, "alarm") == []
        told[name] = figures(output)
    assert set(told["split"]) == set(told["whole"])
    assert told["split"]["drag"]["kappa_1_m"] == pytest.approx(0.002, rel=0.05)
    assert told["split"]["swing"].get("reason") == told["whole"]["swing"].get("reason")


def test_merged_rows_are_those_of_the_leading_columns() -> None:
    t = np.array([0.0, 0.1, 0.2, 0.3, 2.0, 2.1])
    nan = np.nan
    window = Window(t, {"q": np.array([1.0, nan, 3.0, nan, 5.0, nan]), "v": np.array([nan, 10.0, nan, 30.0, nan, 50.0])})
    found = merged(window, ("q",))
    assert found.t.tolist() == [0.0, 0.2, 2.0] and found["q"].tolist() == [1.0, 3.0, 5.0]
    assert np.isnan(found["v"][[0, 2]]).all() and found["v"][1] == pytest.approx(20.0)
    together = Window(t, {"q": np.array([1.0, nan, 3.0, 4.0, 5.0, 6.0]), "v": np.arange(6.0)})
    assert merged(together, ("q",)) is together
