"""A radio that loses a quarter of the frames, in bursts, both ways."""

from __future__ import annotations

from server.twin.scenario import Scenario

# In the burst state for 0.03/(0.03 + 0.07) = 30 % of the frames, 14 at a time, and then 0.82 of them are lost.
_THIN = {"enter_burst": 0.03, "leave_burst": 0.07, "loss_in_burst": 0.82, "loss_outside": 0.006, "bit_error_rate": 1e-5}

SCENARIO = Scenario(
    name="thin-link",
    title="A thin radio link: a quarter of the frames lost, in bursts",
    changes={f"radio.{way}.{name}": value for way in ("down", "up") for name, value in _THIN.items()}
    | {"radio.other_losses_db": 24.0, "radio.fading_db": 4.0},
)
