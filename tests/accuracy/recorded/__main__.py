"""Recorded flights of other vehicles through the station: `python -m tests.accuracy.recorded DIR [--seeds N] [--flight X]`.

Each flight becomes packets of a beginner's vehicle, encoded by the project's own vehicle side, with invented pad noise in
front and rest behind; those that get through are written by the real recorder, opened by `open_review` (which runs
`recorded_output`, the pipeline of a replay) and read by `summarize`: what `blockhouse summary` prints. The ports and the
live loop are not in this path; that live equals replay is other tests' business. 0 % of loss is one run, 15 % one for each
seed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from tests.accuracy.processes import CORES, each_of
from tests.accuracy.recorded.description import BadDescription, Known, LoggedFlight, read_description
from tests.accuracy.recorded.radio import Logged
from tests.accuracy.recorded.runs import NUMBER, Run, seeded
from tests.accuracy.recorded.told import CIRCLE_95, QUANTITIES, Z_95, Told, error_of, told_text

LOSS = 0.15
FORESEEN_UNDER_LOSS = ("thin link",)


def _within(known: Known, told: Told) -> bool:
    return bool(abs(error_of(known, told)) <= QUANTITIES[known.quantity].allowed(known))


def _inside(known: Known, told: Told) -> bool:
    reach = CIRCLE_95 if known.distance_m is not None else Z_95
    return bool(abs(error_of(known, told)) <= reach * told.sigma + known.tolerance)


def _name(known: Known) -> str:
    at = "" if known.at_s is None else f" at {known.at_s:g} s"
    return f"{known.quantity.replace('_', ' ')}{at}"


def _known_text(known: Known) -> str:
    if known.distance_m is not None:
        return f"{known.distance_m:g} at {known.bearing_deg:g} deg"
    return f"{known.value:g}" + (f" +- {known.tolerance:g}" if known.tolerance else "")


def line(known: Known, calm: Run, lossy: Sequence[Run], place: int) -> str:
    """Return one quantity as a row of the table."""
    quantity = QUANTITIES[known.quantity]
    one = calm.told[place] if calm.told else Told(reason=calm.failure)
    error = error_of(known, one)
    promised = quantity.promise()
    cells = [_name(known), quantity.unit, _known_text(known), known.source, told_text(known, one)]
    cells.append(f"{one.sigma:.3g}" if one.is_told and one.sigma == one.sigma else "-")
    cells.append(f"{error:+.3g}" if one.is_told else "-")
    cells.append("-" if not promised or not one.is_told else "yes" if _within(known, one) else "**no**")
    told = [run_.told[place] for run_ in lossy if run_.told and run_.told[place].is_told]
    errors = np.array([abs(error_of(known, each)) for each in told])
    doubts = [each for each in told if each.sigma == each.sigma]
    inside = sum(_inside(known, each) for each in doubts)
    cells.append(f"{len(told)} of {len(lossy)}")
    cells.append(f"{np.median(errors):.3g}, {np.percentile(errors, 95):.3g}, {errors.max():.3g}" if len(told) else "-")
    cells.append(f"{sum(_within(known, each) for each in told)}" if promised and told else "-")
    cells.append(f"{inside} of {len(doubts)}" if doubts else "-")
    return "| " + " | ".join([*cells, promised]) + " |"


HEAD = (
    "| quantity | unit | known | source | told at 0 % | sigma | error | within | told at 15 % | error: median, 95 %, worst "
    "| within promise | inside 95 % | promise |\n" + "|---" * 13 + "|"
)


def _counted(name: str, runs: Sequence[Sequence[str]], allowed: Sequence[str]) -> list[str]:
    counts = Counter(text for texts in runs for text in {NUMBER.sub("#", one) for one in texts})
    out = []
    for text, count in counts.most_common(12):
        mark = "" if any(one in text for one in allowed) else " (not foreseen)"
        out.append(f"  {name} in {count} of {len(runs)}: {text}{mark}")
    return out


def table(folder: Path, flight: LoggedFlight, seeds: int, processes: int = CORES) -> tuple[str, bool]:
    """Return what one flight's runs showed, and whether every promise at 0 % held, and under loss those that hold there."""
    logged, also = Logged.read(folder, flight), _absent(flight)
    passes = [(logged, LOSS if seed else 0.0, seed, tuple(also)) for seed in range(seeds + 1)]
    with each_of(seeded, passes, min(processes, len(passes))) as runs:
        calm, *lossy = runs
    lines = [f"### {flight.name}: {flight.about}", "", HEAD]
    kept = not calm.failure
    for place, known in enumerate(flight.known):
        lines.append(line(known, calm, lossy, place))
        quantity = QUANTITIES[known.quantity]
        if quantity.promise():
            gated = [calm, *(lossy if quantity.promised_under_loss else [])]
            kept = kept and all(each.told and _within(known, each.told[place]) for each in gated)
    lines.append("")
    for place, known in enumerate(also, len(flight.known)):
        said = told_text(known, calm.told[place]) if calm.told else "-"
        lines.append(f"  {_name(known)}: nothing to compare with ({known.source}); told {said}")
    lost = [each.lost for each in lossy]
    if lost:
        lines.append(f"  lost at 15 %: {min(lost):.1%} to {max(lost):.1%} of the packets")
    lines += _counted("alarm at 0 %", [calm.alarms], flight.alarms)
    lines += _counted("finding at 0 %", [calm.findings], flight.findings)
    lines += _counted("alarm at 15 %", [each.alarms for each in lossy], flight.alarms)
    lines += _counted("finding at 15 %", [each.findings for each in lossy], [*flight.findings, *FORESEEN_UNDER_LOSS])
    failures = [each.failure for each in (calm, *lossy) if each.failure]
    lines += [f"  failed in {count} runs: {text}" for text, count in Counter(failures).items()]
    return "\n".join(lines), kept and not failures


def _absent(flight: LoggedFlight) -> list[Known]:
    return [Known(quantity=name, source=why) for name, why in flight.absent.items()]


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; exit code 1 when a promise is not kept, 2 when the description cannot be used."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.recorded", description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="folder of flight logs")
    parser.add_argument("--describe", type=Path, help="what they hold (default: recorded.toml in the folder)")
    parser.add_argument("--seeds", type=int, default=40, help="patterns of loss for each flight (default 40)")
    parser.add_argument("--flight", action="append", help="only this flight; may be given more than once")
    parser.add_argument("--processes", type=int, default=CORES, help="how many runs at a time (default: one a core)")
    given = parser.parse_args(arguments)
    try:
        flights = read_description(given.describe or given.folder / "recorded.toml")
        unknown = set(given.flight or ()) - {flight.name for flight in flights}
        if unknown:
            raise BadDescription(f"There is no flight {', '.join(sorted(unknown))} in the description.")
        all_kept = True
        for flight in flights:
            if given.flight is None or flight.name in given.flight:
                began = time.monotonic()
                text, kept = table(given.folder, flight, given.seeds, given.processes)
                all_kept = all_kept and kept
                print(f"{text}\n  ({time.monotonic() - began:.0f} s)\n", flush=True)
    except BadDescription as error:
        print(error, file=sys.stderr)
        return 2
    print("every promise kept" if all_kept else "not every promise kept")
    return 0 if all_kept else 1


if __name__ == "__main__":
    sys.exit(main())
