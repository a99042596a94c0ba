"""Figures of the time before the flight: continuity, the inertial units at rest and together, the battery."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from server.analysis.figures.figure import Figure


@dataclass(frozen=True, kw_only=True)
class ContinuityFigure(Figure):
    """Channels without continuity on the pad, by name."""

    key: ClassVar[str] = "continuity"
    missing: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class UnitsFigure(Figure):
    """An inertial unit, "a" or "b", that cannot be believed (None: which of the two cannot be told), and why."""

    suspect: str | None
    reason: str


@dataclass(frozen=True, kw_only=True)
class UnitDriftFigure(UnitsFigure):
    """A unit whose rate wanders at rest, with one sigma."""

    key: ClassVar[str] = "units"
    drift_rad_s2: float
    sigma_rad_s2: float


@dataclass(frozen=True, kw_only=True)
class UnitsApartFigure(UnitsFigure):
    """Units that disagree, and how far they are apart in sigmas."""

    distance: float


@dataclass(frozen=True, kw_only=True)
class GyroUnitsFigure(UnitsApartFigure):
    """The units disagree in rates."""

    key: ClassVar[str] = "units_gyro"


@dataclass(frozen=True, kw_only=True)
class AccelUnitsFigure(UnitsApartFigure):
    """The units disagree in force."""

    key: ClassVar[str] = "units_accel"


@dataclass(frozen=True, kw_only=True)
class BatteryFigure(Figure):
    """Charge used, by rail and counted on board, minutes left to wait, and the sag under load (volts per ampere)."""

    key: ClassVar[str] = "battery"
    used_c: float
    rails_c: Mapping[str, float]
    estimated_c: float
    counts_agree: bool | None
    minutes_cameras_off: float | None
    minutes_cameras_on: float | None
    start_minutes_off: float | None
    minutes_wanted: float | None
    rest_share: float | None
    voltage_v: float
    cells: float | None
    resistance_ohm: float | None
    resistance_low_ohm: float | None
    resistance_high_ohm: float | None


@dataclass(frozen=True, kw_only=True)
class PadSensorsFigure(Figure):
    """The sensors at rest before lift-off: the length of force by each unit (m/s2), and the barometer's own temperature (K).

    `air_k` is the air's temperature by the sheet, None where it is silent.
    """

    key: ClassVar[str] = "pad_sensors"
    force_a_m_s2: float | None = None
    force_b_m_s2: float | None = None
    barometer_k: float | None = None
    air_k: float | None = None
