"""Figures of the way up: lift-off, burnout, the rail, how it leaned, swung and coned, apogee and the drag before it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.analysis.figures.figure import Figure, FigurePart, NamedFigurePart
from server.flight.digits import with_doubt


@dataclass(frozen=True, kw_only=True)
class LiftOffFigure(Figure):
    """The instant of lift-off with one sigma, and how far from the vertical the rail stood, where an attitude tells it."""

    key: ClassVar[str] = "lift_off"
    sigma_s: float
    rail_tilt_rad: float | None = None


@dataclass(frozen=True, kw_only=True)
class BurnoutFigure(Figure):
    """When thrust no longer overcame drag, and how high that was, with one sigma each."""

    key: ClassVar[str] = "burnout"
    sigma_s: float
    height_m: float
    height_sigma_m: float | None = None

    said: ClassVar[str] = "burnout"

    @property
    def height_text(self) -> str:
        """The height in meters, to the digits that its doubt allows; the moment tells it, so that it is told once."""
        sigma = self.height_sigma_m
        return f"{self.height_m:.0f}" if sigma is None else with_doubt(self.height_m, sigma)


@dataclass(frozen=True, kw_only=True)
class SecondBurnoutFigure(BurnoutFigure):
    """The same of the second thrust."""

    key: ClassVar[str] = "burnout_2"
    said: ClassVar[str] = "second burnout"


@dataclass(frozen=True, kw_only=True)
class ThirdBurnoutFigure(BurnoutFigure):
    """The same of the third thrust."""

    key: ClassVar[str] = "burnout_3"
    said: ClassVar[str] = "third burnout"


@dataclass(frozen=True, kw_only=True)
class IgnitionFigure(Figure):
    """When a motor lit in the air, and how high that was, with one sigma each: the second one."""

    key: ClassVar[str] = "ignition_2"
    said: ClassVar[str] = "second ignition"
    sigma_s: float
    height_m: float
    height_sigma_m: float

    @property
    def height_text(self) -> str:
        """The height in meters, to the digits that its doubt allows."""
        return with_doubt(self.height_m, self.height_sigma_m)


@dataclass(frozen=True, kw_only=True)
class ThirdIgnitionFigure(IgnitionFigure):
    """The same of the third one."""

    key: ClassVar[str] = "ignition_3"
    said: ClassVar[str] = "third ignition"


BURNOUTS: dict[str, type[BurnoutFigure]] = {kind.key: kind for kind in (SecondBurnoutFigure, ThirdBurnoutFigure)}
IGNITIONS: dict[str, type[IgnitionFigure]] = {kind.key: kind for kind in (IgnitionFigure, ThirdIgnitionFigure)}


@dataclass(frozen=True, kw_only=True)
class GreatestSpeedFigure(Figure):
    """The greatest speed on the way up with one sigma and what told it, or `reason`: why nothing does."""

    key: ClassVar[str] = "greatest_speed"
    reason: str | None = None
    speed_m_s: float | None = None
    sigma_m_s: float | None = None
    source: str | None = None

    @property
    def text(self) -> str:
        """The speed in words, to the digits that its doubt allows."""
        if self.speed_m_s is None or self.sigma_m_s is None:
            return ""
        return f"greatest speed {with_doubt(self.speed_m_s, self.sigma_m_s)} m/s by the {self.source}"


@dataclass(frozen=True, kw_only=True)
class RailExitFigure(Figure):
    """Speed at the rail's end with one sigma and its 95 % interval, or `reason`: why it cannot be told.

    `angle_of_attack_rad` is what the wind makes there: the sheet's, or where `wind_source` says so that of the pad.
    """

    key: ClassVar[str] = "rail_exit"
    reason: str | None = None
    speed_m_s: float | None = None
    sigma_m_s: float | None = None
    low_m_s: float | None = None
    high_m_s: float | None = None
    wind_m_s: float | None = None
    wind_source: str | None = None
    angle_of_attack_rad: float | None = None

    @property
    def text(self) -> str:
        """The speed in words."""
        return "" if self.speed_m_s is None else f"left the rail at {self.speed_m_s:.1f} m/s"


@dataclass(frozen=True, kw_only=True)
class LeanFigure(Figure):
    """How far the nose leaned while it should fly straight, and to which side (from north over east)."""

    key: ClassVar[str] = "lean"
    greatest_tilt_rad: float
    azimuth_rad: float | None = None


@dataclass(frozen=True, kw_only=True)
class MeasuredSwing(FigurePart):
    """The fitted swing at an air speed, with 95 % intervals."""

    speed_m_s: float
    period_s: float
    period_low_s: float
    period_high_s: float
    damping_ratio: float
    damping_low: float
    damping_high: float
    amplitude_rad: float
    height_m: float


@dataclass(frozen=True, kw_only=True)
class ExpectedSwing(FigurePart):
    """The undamped period by the sheet, and measured over expected period with its 95 % interval (None: no bound)."""

    expected_period_s: float
    ratio: float
    ratio_low: float
    ratio_high: float | None


@dataclass(frozen=True, kw_only=True)
class SwingFigure(Figure):
    """The swing of the nose from `t` to `end_t`, or `reason`: why there is none to measure.

    `excited` is False where the numbers are not to be shown as a measurement.
    """

    key: ClassVar[str] = "swing"
    end_t: float | None = None
    excited: bool
    reason: str | None = None
    measured: MeasuredSwing | None = None
    expected: ExpectedSwing | None = None


@dataclass(frozen=True, kw_only=True)
class ConeFigure(Figure):
    """The widest lasting cone that the nose drew; positive turns are counterclockwise from above."""

    key: ClassVar[str] = "cone"
    half_angle_rad: float
    turns_per_s: float


@dataclass(frozen=True, kw_only=True)
class SourceTop(NamedFigurePart):
    """The top as one source of height has it: meters, timeline second, one sigma."""

    m: float
    t: float
    sigma_m: float


@dataclass(frozen=True, kw_only=True)
class ApogeeFigure(Figure):
    """The measured top with one sigma, by each source of height, how far these are apart, and the air heights rest on.

    `air_from` says whose it is, `air_k` how warm at the pad (None: the vehicle's own formula), `air_changes_m` by how much
    the sheet's temperature moved the top, `per_kelvin_m` by how much one kelvin would.
    """

    key: ClassVar[str] = "apogee"
    height_m: float
    barometer: SourceTop | None = None
    filter: SourceTop | None = None
    vehicle: SourceTop | None = None
    vehicle_barometer: SourceTop | None = None
    gnss: SourceTop | None = None
    spread_m: float | None = None
    sigma_m: float | None = None
    air_from: str | None = None
    air_k: float | None = None
    air_changes_m: float | None = None
    per_kelvin_m: float | None = None

    @property
    def text(self) -> str:
        """Which air the height rests on, and what another would change."""
        if self.air_k is None or self.per_kelvin_m is None:
            return "" if self.air_from is None else f"the apogee rests on the {self.air_from}"
        told = f"the apogee rests on the {self.air_from}, {self.air_k - 273.15:.0f} degC at the pad"
        if self.air_changes_m is not None:
            return f"{told}: {self.air_changes_m:+.1f} m against the standard atmosphere"
        return f"{told}; each kelvin more there would make it {self.per_kelvin_m:.1f} m higher"


@dataclass(frozen=True, kw_only=True)
class DragFigure(Figure):
    """Deceleration per speed squared at pad density with one sigma, and drag area and coefficient by the sheet."""

    key: ClassVar[str] = "drag"
    kappa_1_m: float
    sigma_1_m: float
    fastest_m_s: float
    density_kg_m3: float
    drag_area_m2: float | None = None
    coefficient: float | None = None
