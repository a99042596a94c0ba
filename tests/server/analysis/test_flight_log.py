"""The flight log: windows are the same however the data came, memory stays small on the pad, closing drops everything."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.analysis.flight_log import BEFORE_S, LONGEST_S, PIECES, FlightLog
from server.telemetry.batch import Rows


def rows(start: int, stop: int) -> Rows:
    """Return rows at 10 Hz whose column is their index."""
    index = np.arange(start, stop)
    return Rows(index * 3, index * 0.1, index * 0.1 + 5.0, np.zeros(len(index), bool), {"x": index.astype(float)})


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 40), min_size=1, max_size=60), st.integers(0, 900), st.floats(0, 60), st.floats(0, 60))
def test_a_window_does_not_depend_on_the_pieces(sizes: list[int], order: int, start: float, stop: float) -> None:
    whole, pieces = FlightLog({"s": ("x", "y")}), FlightLog({"s": ("x", "y")})
    total = sum(sizes)
    every = rows(0, total)
    whole.add("s", every, every.columns)
    place = 0
    for size in sizes:
        part = rows(place, place + size)
        pieces.add("s", part, part.columns)
        place += size
    # Nothing older than BEFORE_S before the newest may be asked for while on the pad.
    start = max(start, total * 0.1 - BEFORE_S)
    a, b = whole.window("s", start, stop, order), pieces.window("s", start, stop, order)
    assert a.t.tolist() == b.t.tolist() and a["x"].tolist() == b["x"].tolist()
    assert np.isnan(a["y"]).all()
    assert a["x"].tolist() == [i for i in range(total) if 3 * i <= order and start <= i * 0.1 <= stop]


@pytest.mark.parametrize("size", [1, 10, 300])
def test_hours_on_the_pad_are_forgotten_in_pieces_of_any_size(size: int) -> None:
    log = FlightLog({"s": ("x",)})
    for i in range(0, 40_000, size):
        part = rows(i, i + size)
        log.add("s", part, part.columns)
        assert log.kept <= 2 * BEFORE_S * 10 + 2 * PIECES * size
    assert BEFORE_S * 10 <= log.kept == len(log.window("s", -1e9, 1e9, 10**9))


def test_after_lift_off_everything_is_kept_up_to_the_longest_flight() -> None:
    log = FlightLog({"s": ("x",)})
    log.lift_off_s = 0.0
    for i in range(0, 20_000, 100):
        part = rows(i, i + 100)
        log.add("s", part, part.columns)
    assert len(log.window("s", -1e9, 1e9, 10**9)) == pytest.approx(LONGEST_S * 10, abs=100)
    log.close()
    part = rows(0, 100)
    log.add("s", part, part.columns)
    assert log.kept == len(log.window("s", -1e9, 1e9, 10**9)) == 0
