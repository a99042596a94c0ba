"""A weak motor, a rail leaned into the wind, and a gust that strikes as the vehicle leaves it.

The vehicle pitches over hard, tops out low and reaches the control gate just before it deploys. The weather and the
motor are the scenario's own, the same for every seed, because the gate is missed or met by less than a meter.
"""

from __future__ import annotations

from server.twin.scenario import Scenario

SCENARIO = Scenario(
    name="gusty-rail",
    title="A gust at rail exit: hard pitch-over, low apogee, control only just before deployment",
    changes={
        "rail.length_m": 2.0,
        "rail.tilt_deg": 6.0,
        "motor.thrust_factor": 0.73,
        "body.dry_center_m": 0.71,
        "wind.speed_at_10_m_m_s": 4.5,
        "wind.turbulence_m_s": 0.8,
        "wind.gust.peak_m_s": 14.0,
        "wind.gust.hold_s": 1.5,
        "wind.fixed_seed": 11,
        "spread.thrust": 0.0,
        "spread.wind_speed": 0.0,
        "spread.wind_direction_deg": 0.0,
        "spread.fin_misalignment_rad": 0.0,
    },
)
