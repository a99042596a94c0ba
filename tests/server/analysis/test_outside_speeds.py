"""Greatest speed and the height of burnout, each as sure as it says (row 17); the table heads test_outside_rows.py."""

from __future__ import annotations

import numpy as np
import pytest

from tests.accuracy.recorded.description import Known
from tests.accuracy.recorded.told import QUANTITIES
from tests.server.analysis.outside import (
    FAST,
    SURE,
    air_packet,
    flown,
    forces,
    pressures,
    told,
    unit_packet,
)


@pytest.mark.parametrize("loss", [0.0, 0.15])
def test_the_greatest_speed_and_the_height_of_burnout_have_a_doubt(loss: float) -> None:
    """Seen: a greatest speed off by up to 58 %, a burnout height to the millimeter, neither with a doubt."""
    flight = flown(**FAST)
    packets = [air_packet(pressures(flight, share=0.03, lag_s=0.1), 20.0), unit_packet(forces(flight), 20.0)]
    heard = told(flight, packets, loss=loss, seed=3)
    true = flight.moments["greatest_speed"]
    speed = QUANTITIES["greatest_speed"].read(heard, Known(quantity="greatest_speed", source="truth", value=true))
    if speed.is_told:
        assert speed.sigma == speed.sigma, "a greatest speed without a doubt"
        assert abs(speed.value - true) < SURE * speed.sigma and speed.sigma < 0.1 * true
    else:
        assert speed.reason, "absent without a reason"
    height, doubt = heard.number("burnout", "height_m"), heard.number("burnout", "height_sigma_m")
    assert doubt == doubt, "a height of burnout without a doubt"
    assert abs(height - float(np.interp(flight.moments["burnout"], flight.t, flight.up_m))) < SURE * doubt
