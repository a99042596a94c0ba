"""Every promise and every told interval over vehicles of all sizes: `python -m tests.accuracy.ensemble [--vehicles 200]`.

The vehicles come from a simulator of this folder that shares nothing with the station or its simulated vehicle. Even numbers
are the half a constant may be chosen on; odd ones are only reported. Each goes through the recorder, `open_review` and
`summarize`, like a recorded flight. Vehicles are flown by as many processes as the machine has cores, in order of their
numbers: the table does not depend on how many.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tests.accuracy.ensemble.extras import EARLY, EXTRAS, PARTED, STAGED
from tests.accuracy.ensemble.flown import Result, flown
from tests.accuracy.ensemble.sensors import Drawn
from tests.accuracy.processes import CORES, each_of
from tests.accuracy.recorded.description import Known
from tests.accuracy.recorded.told import CIRCLE_95, QUANTITIES, Z_95, error_of

RELATIVE = frozenset({"opening_climb", "greatest_speed", "predicted_apogee", "apogee", "descent_rate", "landing_speed"})
FORCELESS = "barometer"


@dataclass(frozen=True)
class Row:
    """A row of the table: its name, and which (vehicle, known) belong to it."""

    name: str
    belongs: Callable[[Drawn, Known], bool]


def _has_force(drawn: Drawn) -> bool:
    return drawn.traits["layout"] != FORCELESS


def _of(extra: str, quantity: str, source: str = "") -> Callable[[Drawn, Known], bool]:
    """Return what picks a quantity of the vehicles with an extra."""
    return lambda d, k: d.traits.get("extra") == extra and k.quantity == quantity and source in ("", k.source)


ROWS = (
    Row("lift off, force", lambda d, k: k.quantity == "lift_off" and _has_force(d)),
    Row("lift off, barometer only", lambda d, k: k.quantity == "lift_off" and not _has_force(d)),
    Row("burnout", lambda d, k: k.quantity == "burnout"),
    Row("greatest speed", lambda d, k: k.quantity == "greatest_speed"),
    Row("predicted apogee", lambda d, k: k.quantity == "predicted_apogee"),
    Row("apogee, air told", lambda d, k: k.quantity == "apogee" and bool(d.traits["air_told"])),
    Row("apogee, air not told", lambda d, k: k.quantity == "apogee" and not d.traits["air_told"]),
    Row("apogee time", lambda d, k: k.quantity == "apogee_time"),
    Row("descent rate, first", lambda d, k: k.quantity == "descent_rate" and k.source == "deployed"),
    Row("descent rate, main", lambda d, k: k.quantity == "descent_rate" and k.source == "main"),
    Row("landing", lambda d, k: k.quantity == "landing"),
    Row("landing spot", lambda d, k: k.quantity == "landing_spot"),
    Row("landing speed", lambda d, k: k.quantity == "landing_speed"),
)
EXTRA_ROWS = (
    Row("staged: lift off", lambda d, k: _of(STAGED, "lift_off")(d, k) and _has_force(d)),
    Row("staged: burnout", _of(STAGED, "burnout")),
    Row("staged: second ignition", _of(STAGED, "ignition_2")),
    Row("staged: second burnout", _of(STAGED, "burnout_2")),
    Row("staged: greatest speed", _of(STAGED, "greatest_speed")),
    Row("staged: predicted apogee", _of(STAGED, "predicted_apogee")),
    Row("staged: apogee", _of(STAGED, "apogee")),
    Row("opened early: when", _of(EARLY, "opening")),
    Row("opened early: climb then", _of(EARLY, "opening_climb")),
    Row("opened early: apogee", _of(EARLY, "apogee")),
    Row("cord parted: when", _of(PARTED, "parted")),
    Row("cord parted: weight kept", _of(PARTED, "kept_share")),
    Row("cord parted: rate after", _of(PARTED, "descent_rate", "parted")),
    Row("cord parted: landing speed", _of(PARTED, "landing_speed")),
)


def _half(row: Row, results: Sequence[Result]) -> list[str]:
    """Return told, 95 % error, within promise and coverage of one half."""
    chosen = [(known, told) for one in results for known, told in one.pairs if row.belongs(one.drawn, known)]
    told = [(known, each) for known, each in chosen if each.is_told]
    if not told:
        return [f"0 of {len(chosen)}", "-", "-", "-"]
    errors = np.array([abs(error_of(*pair)) for pair in told])
    quantity = told[0][0].quantity
    if quantity in RELATIVE:
        errors = errors / np.array([abs(known.value or 1.0) for known, _ in told]) * 100.0
    unit = "%" if quantity in RELATIVE else QUANTITIES[quantity].unit
    within = sum(abs(error_of(*pair)) <= QUANTITIES[quantity].allowed(pair[0]) for pair in told)
    doubts = [(known, each) for known, each in told if each.sigma == each.sigma]
    reach = CIRCLE_95 if quantity == "landing_spot" else Z_95
    inside = sum(abs(error_of(*pair)) <= reach * pair[1].sigma for pair in doubts)
    coverage = f"{inside / len(doubts):.0%} of {len(doubts)}" if doubts else "no interval"
    share = f"{within / len(told):.0%}" if QUANTITIES[quantity].promise() else "-"
    return [f"{len(told)} of {len(chosen)}", f"{np.percentile(errors, 95):.3g} {unit}", share, coverage]


def as_markdown(results: Sequence[Result]) -> str:
    """Return the table: each half's told, error, share within the promise, and coverage of the told 95 % intervals."""
    half = ("told", "error 95 %", "within", "coverage")
    head = ["quantity", "promise", *(f"{name}, choosing" for name in half), *(f"{name}, other" for name in half)]
    lines = ["| " + " | ".join(head) + " |", "|---" * len(head) + "|"]
    usual, few = ([one for one in results if ("extra" in one.drawn.traits) == has] for has in (False, True))
    return "\n".join([*lines, *_lines(ROWS, usual), *_lines(EXTRA_ROWS, few)])


def _lines(rows: Sequence[Row], results: Sequence[Result]) -> list[str]:
    lines = []
    even, odd = ([one for one in results if one.seed % 2 == side] for side in (0, 1))
    for row in rows if results else ():
        names = [known.quantity for one in results for known in one.drawn.known if row.belongs(one.drawn, known)]
        promise = QUANTITIES[names[0]].promise() if names else ""
        lines.append("| " + " | ".join([row.name, promise, *_half(row, even), *_half(row, odd)]) + " |")
    return lines


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table and what was said; exit code 1 when the station failed on a vehicle."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.ensemble", description=__doc__.splitlines()[0])
    parser.add_argument("--vehicles", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="number of the first, for vehicles nobody has seen (default 0)")
    parser.add_argument("--minutes", type=float, default=8.0, help="stop drawing vehicles after so long (default 8)")
    parser.add_argument("--processes", type=int, default=CORES, help="how many at a time (default: one a core)")
    parser.add_argument("--each", action="store_true", help="also print every vehicle's numbers")
    parser.add_argument("--extras", type=int, default=None, help="vehicles of each extra (default: a tenth of --vehicles)")
    given = parser.parse_args(arguments)
    extras = given.vehicles // 10 if given.extras is None else given.extras
    numbers = range(given.first, given.first + max(given.vehicles, extras))
    # Side by side, so that a run that is cut short has some of each.
    wanted = [
        (seed, extra)
        for place, seed in enumerate(numbers)
        for extra in ("", *EXTRAS)
        if place < (extras if extra else given.vehicles)
    ]
    began, results = time.monotonic(), []
    with each_of(flown, wanted, given.processes) as told:
        for one in told:
            results.append(one)
            if given.each:
                print(each_text(one), flush=True)
            if time.monotonic() - began > 60.0 * given.minutes:
                break
    print(as_markdown(results))
    print(f"\n{len(results)} of {len(wanted)} vehicles in {time.monotonic() - began:.0f} s")
    for extra in ("", *EXTRAS):
        some = [one for one in results if one.drawn.traits.get("extra", "") == extra]
        if some:
            print(f"{len(some)} {extra or 'usual'} ones:")
            print("\n".join(said_of(some)))
    failures = [one for one in results if one.failure]
    for one in failures:
        print(f"  vehicle {one.seed} failed: {one.failure}")
    return 1 if failures else 0


def said_of(results: Sequence[Result]) -> list[str]:
    """Return every alarm and finding with how many vehicles it was true and false of, then what was not said."""
    told = Counter(pair for one in results for pair in zip(one.said, one.verdicts, strict=True))
    out = []
    for text, count in Counter(text for one in results for text in one.said).most_common():
        words = [f"{told[text, word]} {word}" for word in ("true", "false", "?") if told[text, word]]
        out.append(f"  {count} vehicles ({', '.join(words)}): {text}")
    lacking = Counter(text for one in results for text in one.missed)
    return [*out, *(f"  {count} vehicles not told: {text}" for text, count in lacking.most_common())]


def each_text(result: Result) -> str:
    """Return one vehicle in lines: its traits, then each quantity with truth, told and sigma."""
    traits = ", ".join(
        f"{name} {value:.3g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in result.drawn.traits.items()
    )
    lines = [f"vehicle {result.seed}: {traits}, loss {result.drawn.loss:.2f} {result.failure}"]
    lines += [
        f"    {known.quantity} {known.source}: {_truth(known):.4g}, told {told.value:.4g} +- {told.sigma:.2g} {told.reason}"
        for known, told in result.pairs
    ]
    return "\n".join([*lines, *(f"    {text}" for text in result.said)])


def _truth(known: Known) -> float:
    """Return the value known, of a spot its distance (m)."""
    value = known.distance_m if known.value is None else known.value
    return float("nan") if value is None else value


if __name__ == "__main__":
    sys.exit(main())
