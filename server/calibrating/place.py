"""What the sheets tell a calibration of the place where it is made: gravity, and the temperature of the air."""

from __future__ import annotations

from dataclasses import replace

from server.calibrating.guide import Options
from server.design.sheet_numbers import SheetNumbers
from server.flight.calibration.accelerometer import TOLD_GRAVITY_SIGMA, gravity_m_s2
from server.flight.calibration.barometer import TOLD_TEMPERATURE_SIGMA_K


def at_place(
    options: Options, facts: SheetNumbers, gravity: float | None = None, temperature_k: float | None = None
) -> Options:
    """Return options with what is known of the place; `gravity` (m/s2) and `temperature_k` go before the sheets."""
    if gravity is None and facts.latitude_deg is not None:
        gravity = gravity_m_s2(facts.latitude_deg, facts.elevation_m or 0.0)
    if gravity is not None:
        options = replace(options, gravity_m_s2=gravity, gravity_sigma=TOLD_GRAVITY_SIGMA)
    air_k = temperature_k if temperature_k is not None else facts.pad_temperature_k
    if air_k is not None:
        options = replace(options, temperature_k=air_k, temperature_sigma_k=TOLD_TEMPERATURE_SIGMA_K)
    return options
