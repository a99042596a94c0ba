"""Roll authority of an invented vehicle in closed loop (rows 11 and 15); the table heads test_outside_rows.py."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.signal import lfilter

from tests.accuracy.ensemble.motion import Flight, Floats
from tests.accuracy.recorded.told import Heard
from tests.server.analysis.outside import (
    FORCE,
    RATES,
    STEP_S,
    Packet,
    air_packet,
    flown,
    nose_rates,
    pressures,
    state_packet,
    tilts,
    told,
    upright,
)

AUTHORITY, SERVO_S, DAMPING, TRIM_RAD = 0.39, 0.03, 0.04, 0.0005
CONTROLLED_S, GAIN_S = 1.8, 0.02


@cache
def rolling() -> Flight:
    """Return the flight all rolls are simulated on: 73 m/s, seven seconds to the top."""
    return flown(thrust_n=110.0, target_m=280.0, rail_tilt=0.1)


def rolled(seed: int, torque: float) -> tuple[Floats, Floats]:
    """Return fin angles and roll rate under a controller, the roll pushed by a torque (rad/s2) with a memory of 0.3 s."""
    flight, rng = rolling(), np.random.default_rng(seed)
    keep = float(np.exp(-STEP_S / 0.3))
    push = lfilter([1.0], [1.0, -keep], rng.normal(0.0, torque * np.sqrt(1.0 - keep * keep), len(flight.t)))
    pressure, trim = 0.5 * 1.2 * flight.speed_m_s**2, rng.normal(0.0, TRIM_RAD)
    fin, rate = np.zeros(len(flight.t)), np.zeros(len(flight.t))
    start_s, end_s = flight.moments["lift_off"], flight.moments["apogee_time"]
    for i in np.flatnonzero((flight.t > start_s + 0.2) & (flight.t < end_s)).tolist():
        asked = -np.clip(GAIN_S * rate[i - 1], -0.15, 0.15) if flight.t[i] > start_s + CONTROLLED_S else 0.0
        fin[i] = fin[i - 1] + (asked - fin[i - 1]) * STEP_S / SERVO_S
        turn = pressure[i] * AUTHORITY * (fin[i] + trim) + push[i] - DAMPING * np.sqrt(pressure[i]) * rate[i - 1]
        rate[i] = rate[i - 1] + STEP_S * turn
    return fin, rate


def roll_told(seed: int, torque: float, kind: str) -> Heard:
    """Return what is told of a roll whose fins come as `kind`: measured or commanded."""
    flight, tilt = rolling(), tilts(rolling())
    fin, rate = rolled(seed, torque)
    rng = np.random.default_rng(100 + seed)
    gyro = nose_rates(tilt)
    gyro[:, 2] = rate + rng.normal(0.0, 0.003, len(rate))
    if kind == "commanded":  # what the servo makes of it is nobody's to tell
        fin = np.concatenate([[0.0], fin[:-1] + np.diff(fin) * SERVO_S / STEP_S])
    packets = [
        air_packet(pressures(flight)),
        Packet("unit", 50.0, (*FORCE, *RATES), np.column_stack([upright(flight), gyro])),
        state_packet(flight, tilt, roll_rad_s=rate + rng.normal(0.0, 0.003, len(rate))),
        Packet("fins", 20.0, tuple(f"fin[{n}].{kind}" for n in (1, 2)), np.column_stack([fin, fin])),
    ]
    return told(flight, packets)


def test_roll_authority_holds_the_truth_when_the_air_has_a_memory() -> None:
    """Seen: half of the intervals missed the truth, biased by -42 %, in closed loop; 12 % held it at worst."""
    missed, told_of = [], 0
    for seed in range(8):
        body = roll_told(seed, 2.0, "measured").figure("roll")
        assert body.get("reason_text"), "absent without a reason"
        low, high = (body.get(name) for name in ("low", "high"))
        if isinstance(low, float) and isinstance(high, float):
            told_of += 1
            if not low <= AUTHORITY <= high:
                missed.append((seed, low, high))
        assert body["verdict"] not in ("weak", "reversed")
    assert len(missed) <= 1, missed  # of eight honest ones two or more miss once in eighteen
    assert told_of >= 4


def test_fins_that_are_only_commanded_are_judged() -> None:
    """Seen: no roll figure and no reason for a vehicle whose servos tell nothing, as hobby servos do."""
    body = roll_told(3, 0.8, "commanded").figure("roll")
    assert body.get("verdict"), "absent without a reason"
    low, high = (body.get(name) for name in ("low", "high"))
    assert low is not None and high is not None and low <= AUTHORITY <= high, body.get("reason_text")
