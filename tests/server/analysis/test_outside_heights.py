"""Heights of invented vehicles: ports that lag, warm boards, frozen forces; the table heads test_outside_rows.py."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from tests.accuracy.ensemble.motion import Air
from tests.server.analysis.outside import (
    FAST,
    Packet,
    air_packet,
    apogee_m,
    flown,
    forces,
    moment,
    pressures,
    standard_height,
    state_packet,
    tilts,
    told,
    unit_packet,
    upright,
    weak,
)

# ---------------------------------------------------------------- row 1


@pytest.mark.parametrize(("share", "lag_s", "from_burnout_s"), [(0.05, 0.1, -1.0), (0.06, 0.1, -0.5), (0.06, 0.2, 1.0)])
def test_a_port_in_the_flow_takes_no_apogee_away(share: float, lag_s: float, from_burnout_s: float) -> None:
    """Seen: no apogee at all, or one of 52 m told for good, for a flight to 3003 m. Two real ports read 220 to 310 m low."""
    flight = flown(**FAST)
    gap = flight.moments["burnout"] + from_burnout_s
    packets = [air_packet(pressures(flight, share=share, lag_s=lag_s), 10.0), unit_packet(forces(flight), 20.0)]
    heard = told(flight, packets, gaps=[(gap, gap + 1.1)])
    assert apogee_m(heard) == pytest.approx(flight.moments["apogee"], rel=0.01)
    assert moment(heard, "apogee") == pytest.approx(flight.moments["apogee_time"], abs=1.0)


# ---------------------------------------------------------------- row 2


def test_a_warm_board_does_not_stretch_the_heights() -> None:
    """Seen: +10.4 % by a board at 45 degC over air of 15."""
    flight = flown()
    pascals = pressures(flight)
    values = np.column_stack([pascals, np.full(len(pascals), 318.0)])
    packets = [Packet("air", 20.0, ("pressure", "baro_temperature"), values), unit_packet(forces(flight))]
    heard = told(flight, packets)
    assert apogee_m(heard) == pytest.approx(flight.moments["apogee"], rel=0.01)
    assert [text for text in heard.findings() if text.startswith("the barometer was at 45 degC")] == heard.findings()


@pytest.mark.parametrize(("celsius", "is_air_told"), [(18.0, True), (35.0, True), (-5.0, True), (35.0, False)])
def test_firmware_with_the_standard_formula_raises_no_alarm(celsius: float, is_air_told: bool) -> None:
    """Seen: "state vector parts from the ground's own estimate" in 3 of 3 flights."""
    air = Air(101325.0, 273.15 + celsius, 0.0065)
    flight = flown(air=air, target_m=900.0, thrust_n=250.0, rail_tilt=0.1)
    pascals = pressures(flight, air)
    smooth = np.asarray(lfilter([0.1], [1.0, -0.9], pascals - pascals[0])) + pascals[0]
    board = np.column_stack([pascals, np.full(len(pascals), 273.15 + celsius)])
    packets = [
        Packet("air", 20.0, ("pressure", "baro_temperature"), board),
        unit_packet(upright(flight)),
        state_packet(flight, tilts(flight), standard_height(smooth)),
    ]
    heard = told(flight, packets, site={"temperature_k": 273.15 + celsius} if is_air_told else {})
    assert heard.alarms() == []
    if is_air_told:
        assert apogee_m(heard) == pytest.approx(flight.moments["apogee"], rel=0.01)


# ---------------------------------------------------------------- row 4


@pytest.mark.parametrize("ratio", [1.6, 9.0])
def test_a_frozen_accelerometer_leaves_the_flight_to_the_barometer(ratio: float) -> None:
    """Seen: one that told 9.81 for ever held the vehicle on the pad, since only a silent one let the barometer speak."""
    flight = weak(ratio) if ratio < 2.0 else flown()
    frozen = np.tile([0.0, 0.0, 9.81], (len(flight.t), 1))
    heard = told(flight, [air_packet(pressures(flight)), unit_packet(frozen)])
    lift_off = moment(heard, "lift_off_t")
    assert lift_off == pytest.approx(flight.moments["lift_off"], abs=2.5 if ratio < 2.0 else 1.0)
    assert apogee_m(heard) == pytest.approx(flight.moments["apogee"], rel=0.01)
    assert moment(heard, "landing_t") == pytest.approx(flight.moments["landing"], abs=1.0)
