"""The top by the receiver's own heights, beside the barometer's: a second opinion that no air temperature stretches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from server.review.review import Review
from tests.server.analysis.layouts import AIR, Layout, of, told_by, trial

PLACE = of("gnss.latitude", "gnss.longitude", "gnss.height", "gnss.fix")


def top_of(review: Review) -> tuple[float, dict[str, object]]:
    """Return the true top over the pad and the apogee figure's body."""
    body = next(entry.body for entry in review.output.entries if entry.topic == "figure" and entry.key == "apogee")
    return float(trial("dual").flight.up_m.max()), body


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0])
def test_the_receivers_top_stands_beside_the_barometers(rate_hz: float) -> None:
    layout: Layout = {**AIR, "gnss": (rate_hz, PLACE)}
    truth, body = top_of(told_by(layout, trial("dual")).review)
    assert body["gnss_m"] == pytest.approx(truth, abs=4.0)
    assert abs(body["gnss_m"] - truth) < 3.5 * body["gnss_sigma_m"]


def test_a_receiver_that_loses_its_fix_tells_no_top() -> None:
    one = trial("dual")
    away = np.abs(one.flight.t - one.flight.moments["apogee_time"]) < 6.0
    lost = replace(one, signals={**one.signals, "gnss.fix": np.where(away, 0.0, 3.0)})
    assert "gnss_m" not in top_of(told_by({**AIR, "gnss": (5.0, PLACE)}, lost).review)[1]


def test_a_vehicle_without_a_receiver_is_told_as_before() -> None:
    assert not [key for key in top_of(told_by(AIR, trial("dual")).review)[1] if key.startswith("gnss")]
