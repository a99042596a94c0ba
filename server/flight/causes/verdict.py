"""What may be called the cause: the share that explains most, and whether the margin was surely negative."""

from __future__ import annotations

from dataclasses import dataclass

from server.flight.causes.shares import ROLL, UNSTABLE, Shares

FROM_DEG = 10.0  # less lean beyond the rail is none to explain: gravity and an ordinary wind do that; our choice
CALLED_DEG = 4.0  # a cause is named from so many degrees on, when its interval is above zero
LIKELY = 0.6  # that the margin was negative: whoever is told in vain looks at the balance once more; our choice
NEVER_MAIN = (ROLL,)


@dataclass(frozen=True)
class Verdict:
    """The main cause (None: there is nothing to explain), all causes that are called, whether the vehicle was unstable."""

    main: str | None
    calls: tuple[str, ...]
    is_unstable: bool


def verdict_of(shares: Shares) -> Verdict:
    """Return what may be said of a decomposition."""
    leaned = shares.lean_deg - shares.rail_deg
    is_unstable = max(leaned, shares.end_deg - shares.rail_deg) > FROM_DEG and shares.odds_unstable > LIKELY
    usual = [one for one in shares.shares if one.cause not in (*NEVER_MAIN, UNSTABLE)]
    sure = [one for one in usual if one.deg > CALLED_DEG and one.low_deg > 0.0]
    called = sorted(sure, key=lambda one: -one.deg)
    if leaned <= FROM_DEG and not is_unstable:
        return Verdict(None, (), False)
    first = max(usual, key=lambda one: one.deg, default=None)
    main = UNSTABLE if is_unstable else None if first is None or first.deg <= CALLED_DEG else first.cause
    names = ([UNSTABLE] if is_unstable else []) + [one.cause for one in called]
    return Verdict(main, tuple(names), is_unstable)
