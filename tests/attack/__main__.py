"""The attack bench: 10^6 commands through the compiled C and the real queue, over the worst radio; an oracle judges.

    python -m tests.attack --queue 100000 --frames 900000
    python -m tests.attack --without all --queue 3000 --frames 6000

The first prints what reached which check and what went wrong, 0 each; the second takes each protection out in turn, and
ends with 1 where the bench stays green. `--without NAME` does it with one.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Collection

from tests.attack import frames, queued
from tests.attack.bench import Table
from tests.attack.oracle import FAULTS
from tests.attack.protections import EVERY, laid, taken_out


def run(
    table: Table,
    queue: int,
    signed: int,
    seed: int,
    say: Callable[[str], None] = lambda line: None,
    until: Collection[str] = (),
) -> dict[str, int]:
    """Send so many commands through the queue, and so many more signed without it, to the vehicles of one table.

    Fewer where one of the faults `until` is seen before. Returns how often each thing went wrong; what else there is to tell
    is said as it comes.
    """

    def goes_on() -> bool:
        return not any(oracle.faults[fault] for fault in until)

    oracle, begun = table.oracle, time.perf_counter()
    people = queued.Campaign(table, seed)
    people.run(queue, goes_on)
    say(
        f"through the queue, {time.perf_counter() - begun:.0f} s: {people.asked} let through, {people.hazardous} of them "
        f"hazardous, {people.safe_alls} Safe all; {oracle.seen['frames that left']} frames left, "
        f"{oracle.seen['executed, hazardous']} hazardous ones were executed; {sum(oracle.faults.values())} faults"
    )
    for state, count in people.shown.states.most_common():
        say(f"  {count:8d} {state} in the end")
    for sentence, count in people.refused.most_common():
        say(f"  {count:8d} refused by the queue: {sentence}")
    begun = time.perf_counter()
    frames.Campaign(table, seed, people.disk.covered, people.now_s).run(signed, goes_on)
    say(f"signed without the queue: {signed}, {time.perf_counter() - begun:.0f} s; all together:")
    for what, count in sorted(oracle.seen.items()):
        say(f"  {count:8d} {what}")
    return {name: oracle.faults[name] for name in FAULTS}


def main() -> int:
    """Run the long form; return 1 where something went wrong, or did not without a protection."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--queue", type=int, default=100_000, help="commands through the queue")
    parser.add_argument("--frames", type=int, default=900_000, help="commands signed without it")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--without", choices=["all", *EVERY], help="a protection to take out")
    options = parser.parse_args()
    if options.without is None:
        table = laid()
        faults = run(table, options.queue, options.frames, options.seed, lambda line: print(line, flush=True))
        for name, count in faults.items():
            print(f"{name}: {count}  {table.oracle.examples.get(name, '')}".rstrip())
        return int(any(faults.values()))
    green = 0
    for name in EVERY if options.without == "all" else [options.without]:
        with taken_out(name) as (table, expected):
            faults = run(table, options.queue, options.frames, options.seed)
        seen = {fault: count for fault, count in faults.items() if count}
        is_red = any(faults[fault] for fault in expected)
        green += not is_red
        print(f"{'red' if is_red else 'GREEN'} without {name}: {seen}", flush=True)
    return int(green > 0)


if __name__ == "__main__":
    sys.exit(main())
