"""What a pad sheet can be asked about: the station's readings by role, and a few quantities of its own.

Pure: all of them are worked out of other readings, the site sheet's numbers and the standing alarms, for one moment.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import sqrt

from server.design.pad_wind import PadWind
from server.design.sheet_numbers import SheetNumbers
from server.telemetry.conditions import Reading, Readings

AXES = "xyz"
UNIT_KINDS = {"units.force_apart": "accel", "units.rate_apart": "gyro"}


class PadReadings:
    """Readings for a pad sheet; `alarms` is filled by whoever follows the journal: key -> severity of what stands."""

    def __init__(self, readings: Readings, facts: SheetNumbers) -> None:
        self._readings, self._facts = readings, facts
        self.wind: PadWind | None = None  # as measured at the pad
        self.alarms: dict[str, str] = {}

    def follow(self, key: str, severity: str, body: Mapping[str, object]) -> None:
        """Take an alarm's journal entry."""
        if body.get("state") == "raised":
            self.alarms[key] = severity
        else:
            self.alarms.pop(key, None)

    def reading(self, role: str, now_s: float) -> Reading | None:
        """Return the latest reading of a role or quantity, None when there has been none."""
        if role == "site.wind":
            wind_m_s = self._facts.wind_m_s if self.wind is None else self.wind.speed_m_s
            return None if wind_m_s is None else Reading(wind_m_s, now_s)
        if role == "ground.warnings":
            return Reading(float(sum(severity == "warning" for severity in self.alarms.values())), now_s)
        if role in UNIT_KINDS:
            return self._apart(UNIT_KINDS[role], now_s)
        reading = self._readings.reading(role, now_s)
        if role == "ground.link_loss" and reading is not None:
            # Nothing lost is no loss only where something was heard; the age of the downlink is the age of this number.
            age = self._readings.reading("ground.link_age", now_s)
            return None if age is None else Reading(reading.value, now_s - age.value)
        return reading

    def _apart(self, kind: str, now_s: float) -> Reading | None:
        """Return how far the two units' latest vectors lie apart, as old as the older one of them."""
        squares, oldest_s = 0.0, now_s
        for axis in AXES:
            one, two = (self._readings.reading(f"{kind}.{unit}.{axis}", now_s) for unit in "ab")
            if one is None or two is None:
                return None
            squares += (one.value - two.value) ** 2
            oldest_s = min(oldest_s, one.true_s, two.true_s)
        return Reading(sqrt(squares), oldest_s)
