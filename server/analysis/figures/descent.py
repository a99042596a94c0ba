"""Figures of the way down: descent rate and parachutes, delays, drift, and where to look for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.analysis.figures.figure import Figure, FigurePart, NamedFigurePart


@dataclass(frozen=True, kw_only=True)
class DescentStage(FigurePart):
    """One stage of the way down: what it was, when, from which height, its mean rate with one sigma, and its air.

    `sea_level_m_s` is the rate it would have in standard air at sea level, with one sigma: what compares with a sheet and
    with other fields.
    """

    kind: str
    start_t: float
    end_t: float
    from_m: float
    rate_m_s: float
    sigma_m_s: float
    density_kg_m3: float
    sea_level_m_s: float
    sea_level_sigma_m_s: float


@dataclass(frozen=True, kw_only=True)
class Parted(NamedFigurePart):
    """A part was lost under canopy: when and how high, sea-level rates before and after, the share of the weight kept."""

    t: float
    height_m: float
    before_m_s: float
    after_m_s: float
    share_kept: float
    share_sigma: float


@dataclass(frozen=True, kw_only=True)
class OpeningFigure(Figure):
    """It was held back while it still climbed: how fast then with one sigma, and how much sooner than apogee by itself."""

    key: ClassVar[str] = "opening"
    climb_m_s: float
    sigma_m_s: float
    early_s: float


@dataclass(frozen=True, kw_only=True)
class DescentFigure(Figure):
    """The rate of the last stage with one sigma, what it hangs `under` by the sheet's rates, the landing, and all stages.

    `landing_t` and `landing_m_s` are by the raw heights of the last seconds in the air; `fastest_m_s` is the greatest rate
    of any second of the way down.
    """

    key: ClassVar[str] = "descent"
    rate_m_s: float
    sigma_m_s: float
    under: str
    expected_both_m_s: float | None
    expected_one_m_s: float | None
    reason_text: str | None = None
    landing_t: float | None = None
    landing_m_s: float | None = None
    landing_sigma_s: float | None = None
    landing_sigma_m_s: float | None = None
    energy_j: float | None = None
    stages: tuple[DescentStage, ...] = ()
    fastest_m_s: float | None = None
    fastest_sigma_m_s: float | None = None
    fastest_t: float | None = None
    fastest_fallen_m: float | None = None
    parted: Parted | None = None


@dataclass(frozen=True, kw_only=True)
class FlagDelay(NamedFigurePart):
    """How long after apogee a flag came, within what, and when."""

    delay_s: float
    within_s: float
    t: float


@dataclass(frozen=True, kw_only=True)
class DriftUnderCanopy(FigurePart):
    """Mean drift (toward: from north over east), and the wind at 10 m it stands for with one sigma per axis."""

    drift_m_s: float
    drift_toward_rad: float
    wind_10_m_m_s: float
    wind_sigma_m_s: float


@dataclass(frozen=True, kw_only=True)
class LandingSpot(FigurePart):
    """Where it lies, from the pad, and the radius that holds it with 95 %."""

    landing_east_m: float
    landing_north_m: float
    landing_distance_m: float
    landing_bearing_rad: float
    landing_radius_m: float


@dataclass(frozen=True, kw_only=True)
class OtherHalf(NamedFigurePart):
    """Where a part lost under canopy lies, from the pad, and the radius that holds it with 95 %."""

    east_m: float
    north_m: float
    distance_m: float
    bearing_rad: float
    radius_m: float


@dataclass(frozen=True, kw_only=True)
class LandingForecast(LandingSpot):
    """Where it will lie, and in how many seconds."""

    landing_in_s: float


@dataclass(frozen=True, kw_only=True)
class LastHeard(FigurePart):
    """The last place heard, above and from the pad; degrees on WGS 84 are None without the pad's own."""

    last_t: float
    last_height_m: float
    last_distance_m: float
    last_bearing_deg: float | None
    last_latitude_deg: float | None
    last_longitude_deg: float | None
    last_radius_m: float


@dataclass(frozen=True, kw_only=True)
class Whereabouts(NamedFigurePart):
    """The headline: the best estimate of where it lies, from the pad. `radius_m` holds it with 95 %; None if unknown."""

    basis: str
    distance_m: float
    bearing_deg: float | None
    radius_m: float | None
    text: str


@dataclass(frozen=True, kw_only=True)
class RecoveryFigure(Figure):
    """Deployment against apogee, drift and wind, and where to walk: the forecast until it has landed, then the spot."""

    key: ClassVar[str] = "recovery"
    deployment: FlagDelay | None = None
    separation: FlagDelay | None = None
    drift: DriftUnderCanopy | None = None
    forecast: LandingForecast | None = None
    last: LastHeard | None = None
    landed: LandingSpot | None = None
    other: OtherHalf | None = None
    whereabouts: Whereabouts | None = None
