"""The second inertial unit's gyros drift from switch-on, slowly enough to look well at any single glance."""

from __future__ import annotations

from math import radians

from server.twin.scenario import Scenario

SCENARIO = Scenario(
    name="drifting-imu",
    title="The second inertial unit drifts: its rates wander while the vehicle stands still",
    changes={"imu_b.gyro_drift_rad_s2": radians(0.06)},
)
