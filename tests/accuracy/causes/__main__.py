"""Causes, intervals and calls over vehicles with known causes: `python -m tests.accuracy.causes [--caused 200]`.

The vehicles come from a simulator of this folder that shares nothing with the fit; the truth of a share is the same flight
flown again without the cause. Even numbers are reported, odd ones are the half that constants may be chosen on (`--odd`).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np

from server.flight.causes.fit import fitted
from server.flight.causes.shares import Shares, shares_of
from server.flight.causes.verdict import Verdict, verdict_of
from server.flight.unmeasured import Unmeasured
from tests.accuracy.causes.turning import Flights, fly
from tests.accuracy.causes.vehicles import CALM, CAUSED, CAUSES, DENSITY, TURNED, drawn, flown_again, told

UNTIL_S = 3.6
SMALL_DEG = 3.0
LARGE_DEG = 10.0
AT_ONCE = 40


@dataclass(frozen=True)
class Result:
    """One flight: what was told and the true shares, in degrees."""

    number: int
    shares: Shares | None
    verdict: Verdict | None
    truth: dict[str, float]
    lean_deg: float
    margin: float = 0.0  # the true one, least in the window, calibers
    reason: str = ""

    @property
    def main(self) -> tuple[str, float]:
        """The cause that truly explains most, and how much."""
        cause = max(CAUSES, key=lambda one: self.truth[one])
        return cause, self.truth[cause]


def results(kind: str, numbers: Sequence[int]) -> Iterator[Result]:
    """Yield what becomes of flights of a kind by their numbers."""
    for first in range(0, len(numbers), AT_ONCE):
        some = numbers[first : first + AT_ONCE]
        flights = drawn(kind, some)
        flown = fly(flights, UNTIL_S, DENSITY)
        again = flown_again(flights, UNTIL_S) if kind == CAUSED else {}
        tilts = {}
        for i, number in enumerate(some):
            heard = told(flights, flown, i)
            fit = fitted(heard.seen, heard.body, heard.wind)
            if isinstance(fit, Unmeasured):
                yield Result(number, None, None, {}, 0.0, reason=fit.reason)
                continue
            shares = shares_of(fit, heard.seen, heard.motor)
            at = np.full(flights.count, shares.at_s)
            lean = float(np.degrees(flown.tilt_after(at)[i]))
            tilts = {cause: float(np.degrees(other.tilt_after(at)[i])) for cause, other in again.items()}
            yield Result(
                number, shares, verdict_of(shares), {cause: lean - tilts[cause] for cause in tilts}, lean,
                margin=_least_margin(flights, i, float(flown.exit_s[i]), fit.unknowns.course.end_s),
            )  # fmt: skip


def _least_margin(flights: Flights, i: int, exit_s: float, lasts_s: float) -> float:
    full, empty = (float(one[i]) for one in flights.lever_m)
    shares = [min(1.0, at / float(flights.burn_s[i])) for at in (exit_s, exit_s + lasts_s)]
    return min(full + (empty - full) * share for share in shares) / float(flights.diameter_m[i])


def turned(flights: Iterable[Result]) -> Iterator[Result]:
    """Yield the unstable ones that leaned over by the window's end: nobody can tell it of those that did not (yet)."""
    for one in flights:
        if one.shares is None or (one.margin < 0.0 and one.shares.end_deg - one.shares.rail_deg > LARGE_DEG):
            yield one


def coverage(pairs: Sequence[tuple[float, float, float]]) -> str:
    """Return how many of (low, high, truth) hold, in words."""
    held = sum(low <= truth <= high for low, high, truth in pairs)
    return f"{held / len(pairs):.1%} of {len(pairs)}" if pairs else "none"


def table_of(caused: Sequence[Result]) -> list[str]:
    """Return the lines about flights with causes: main cause, confusion, coverage by cause and by size."""
    told_ones = [one for one in caused if one.shares is not None and one.verdict is not None]
    clear = [one for one in told_ones if one.main[1] > LARGE_DEG]
    right = [one for one in clear if one.verdict is not None and one.verdict.main == one.main[0]]
    lines = [
        f"{len(told_ones)} of {len(caused)} flights told; main cause right: {len(right)} of {len(clear)} over 10 degrees"
    ]
    wrong = Counter((one.main[0], str(one.verdict.main)) for one in clear if one.verdict and one.verdict.main != one.main[0])
    lines += [f"  truly {true}, told {said}: {count}" for (true, said), count in wrong.most_common()]
    every: dict[str, list[tuple[float, float, float]]] = {"small (under 3 degrees, all causes)": []}
    for one in told_ones:
        for cause in CAUSES:
            share = one.shares.of(cause) if one.shares else None
            if share is None:
                continue
            pair = (share.low_deg, share.high_deg, one.truth[cause])
            is_small = max(abs(share.deg), abs(one.truth[cause])) < SMALL_DEG
            every.setdefault("small (under 3 degrees, all causes)" if is_small else cause, []).append(pair)
    lines += [
        f"  {name}: interval holds {coverage(pairs)}, median width {_width(pairs):.1f}" for name, pairs in every.items()
    ]
    large = [pair for name, pairs in every.items() if name in CAUSES for pair in pairs]
    return [*lines, f"  all over 3 degrees: {coverage(large)}"]


def _width(pairs: Sequence[tuple[float, float, float]]) -> float:
    return float(np.median([high - low for low, high, _ in pairs])) if pairs else 0.0


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.causes", description=__doc__.splitlines()[0])
    parser.add_argument("--caused", type=int, default=200)
    parser.add_argument("--unstable", type=int, default=100)
    parser.add_argument("--calm", type=int, default=300)
    parser.add_argument("--odd", action="store_true", help="the half that constants are chosen on")
    given = parser.parse_args(arguments)
    side = 1 if given.odd else 0
    began = time.monotonic()

    def of(kind: str, count: int) -> list[Result]:
        return list(results(kind, range(side, 2 * count + side, 2)))

    caused = of(CAUSED, given.caused)
    print("\n".join(table_of(caused)) if caused else "", flush=True)
    unstable = list(islice(turned(results(TURNED, range(side, 10 * given.unstable, 2))), given.unstable))
    called = [one for one in unstable if one.verdict is not None and one.verdict.is_unstable]
    missed = [one for one in unstable if one not in called]
    wrong = sum(one.margin > 0.0 for one in called)
    print(
        f"instability called in {len(called)} of {len(unstable)} that leaned over 10 degrees; "
        f"margin truly positive in {wrong}"
    )
    for one in missed:
        print(f"  missed {one.number}: lean {one.lean_deg:.0f} {one.reason} true margin {one.margin:.2f}, {_margin(one)}")
    stable = [one for one in caused if one.verdict is not None and one.verdict.is_unstable]
    print(f"instability called in {len(stable)} of the {len(caused)} stable ones with causes", flush=True)
    calm = of(CALM, given.calm)
    false = [one for one in calm if one.verdict is not None and one.verdict.calls]
    print(
        f"something called in {len(false)} of {len(calm)} calm flights; {sum(one.shares is None for one in calm)} not told"
    )
    for one in false:
        print(f"  called {one.number}: lean {one.lean_deg:.0f}, {one.verdict and one.verdict.calls} {_margin(one)}")
    print(f"{time.monotonic() - began:.0f} s")
    return 0


def _margin(one: Result) -> str:
    s = one.shares
    return "" if s is None else f"margin {s.margin:.2f} [{s.margin_low:.2f}, {s.margin_high:.2f}], lean {s.lean_deg:.1f}"


if __name__ == "__main__":
    sys.exit(main())
