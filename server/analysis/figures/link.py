"""Figures of the downlink: what was lost in flight and how far it reaches, and what was lost of which kind of packet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from server.analysis.figures.figure import Figure, FigurePart


@dataclass(frozen=True, kw_only=True)
class LinkReach(FigurePart):
    """The level at 1 m, its fading, and the range at which it meets the sensitivity, with its 95 % interval."""

    level_1_m_dbm: float
    fading_db: float
    exponent: float | None
    margin_db: float
    greatest_distance_m: float
    range_m: float
    range_low_m: float
    range_high_m: float
    range_left_m: float


@dataclass(frozen=True, kw_only=True)
class LinkFigure(Figure):
    """The share of packets lost since lift-off, the mean burst of losses (packets) and the longest silence."""

    key: ClassVar[str] = "link"
    flight_loss: float
    packets: int
    mean_burst: float | None
    longest_silence_s: float
    reach: LinkReach | None = None


@dataclass(frozen=True, kw_only=True)
class KindCount(FigurePart):
    """One kind of packet: how many came and were lost, the mean burst of losses, the longest silence."""

    received: int
    lost: int
    mean_burst: float | None
    silence_s: float


@dataclass(frozen=True, kw_only=True)
class LinkTypesFigure(Figure):
    """The share of the modem's capacity in use, and what came of each kind of packet, by its name."""

    key: ClassVar[str] = "link_types"
    use: float
    kinds: Mapping[str, KindCount]
