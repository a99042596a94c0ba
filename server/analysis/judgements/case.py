"""What a judgement is given, and what it returns."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

from server.analysis.figures.figure import Figure, Figures
from server.analysis.flight_log import FlightLog, Window
from server.design.pad_wind import PadWind
from server.design.sheet_numbers import SheetNumbers


def numbered(moment: str, thrust: int) -> str:
    """Return the key of a thrust's moment: burnout, burnout_2 and so on."""
    return moment if thrust == 1 else f"{moment}_{thrust}"


@dataclass
class Case:
    """The flight as known at one frame: moments (timeline s and height m by key), figures so far, the log, the sheets."""

    log: FlightLog
    facts: SheetNumbers
    moments: dict[str, tuple[float, float]]
    figures: Figures
    order: int
    now_s: float
    ranged: frozenset[str] = frozenset()  # roles whose dictionary entry tells where the sensor ends
    pad_wind: PadWind | None = None  # what the wind in `facts` is, where it was measured at the pad

    def window(self, series: str, start_s: float, stop_s: float) -> Window:
        """Return what had been heard of a series between two times up to this frame."""
        return self.log.window(series, start_s, stop_s, self.order)

    @property
    def coasts_s(self) -> float | None:
        """When the last thrust so far ended; None while none is seen to have ended, or a later one burns."""
        thrust = 1
        while f"ignition_{thrust + 1}" in self.moments:
            thrust += 1
        return self.t_of(numbered("burnout", thrust))

    def t_of(self, moment: str) -> float | None:
        """Return the time of a moment, the finer one when a judgement found it."""
        finer_s = self.figures.t_of(moment)
        if finer_s is not None:
            return finer_s
        known = self.moments.get(moment)
        return None if known is None else known[0]


@dataclass(frozen=True)
class Judgement:
    """One judgement: what it is about, the moment it follows, the delays (s) after which it is made, and what makes it.

    It is not made any more once the moment `until` has come, where one is named.
    """

    subject: str
    after: str
    delays_s: tuple[float, ...]
    judge: Callable[[Case], Figure | None]
    until: str = ""


@dataclass(frozen=True)
class SeriesSource:
    """Where a series of the log comes from: roles, or columns of a computed table.

    The roles live in one packet, or (`is_split`) in as many as the builder liked: then a row holds those of one of them. A
    role may have [n] in it: every one that the dictionary has.
    """

    roles: tuple[str, ...] = ()
    table: str = ""
    is_split: bool = False

    def bound_to(self, declared: Collection[str]) -> SeriesSource:
        """Return the source with the roles of a dictionary."""
        roles = (one for role in self.roles for one in (_numbered(role, declared) if "[n]" in role else (role,)))
        return replace(self, roles=tuple(roles))


def _numbered(role: str, declared: Collection[str]) -> list[str]:
    """Return the declared roles of a pattern, in order of the dictionary: the number may be any word."""
    before, after = role.split("[n]")
    return [one for one in declared if one.startswith(f"{before}[") and one.endswith(f"]{after}")]
