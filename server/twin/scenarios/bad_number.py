"""Firmware that divides zero by zero when control starts: one navigation frame is not a number.

The radio loses nothing here, so that the one bad frame always reaches the ground.
"""

from __future__ import annotations

from server.twin.scenario import Scenario

SCENARIO = Scenario(
    name="bad-number",
    title="The state vector turns NaN for one frame when control starts",
    changes={
        "control.bad_number_at_control": True,
        "radio.down.loss_outside": 0.0,
        "radio.down.loss_in_burst": 0.0,
        "radio.down.bit_error_rate": 0.0,
    },
)
