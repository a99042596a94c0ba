"""A closed-loop flight of the example program beside the twin alone: `python -m tests.bench.rehearsal_speed`.

Both fly one scenario, turn by turn in one run: 100 steps a second of rehearsed time, each answered before the next, judged
not counted; and the twin making its own telemetry until it lies. Printed in times of real time: median, and each turn's.
The issue's promise is 50 for the program; it is printed, not asserted.
"""

from __future__ import annotations

import os
import statistics
import sys
import time

from server.rehearsal.closed_loop import Plan, fly_stepped
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.server.flights import KEY, dictionary
from tests.server.rehearsal.helpers import computer

TURNS = 7
SCENARIO = "calm"


def rehearsed() -> float:
    """Fly the example once; return how many times faster than real time."""
    with computer() as talk:
        talk.begin()
        flown = fly_stepped(talk, Plan(load_scenario(SCENARIO), 2), time.monotonic)
        talk.leave()
    assert flown.landed and all(len(frame.stimuli) >= 1 and frame.answer is not None for frame in flown.frames)
    return flown.duration_s / flown.took_s


def twin_alone() -> float:
    """Fly the twin with its own computer as long; return how many times faster than real time."""
    twin = Twin(scenario=load_scenario(SCENARIO), seed=2, dictionary=dictionary(), key=KEY, boot_id=3, ignite_after_s=6.0)
    begun_s, duration_s = time.monotonic(), 70.0
    for step in range(1, int(duration_s / 0.05) + 1):
        twin.advance(step * 0.05)
    return duration_s / (time.monotonic() - begun_s)


def main() -> int:
    """Measure and print."""
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors", flush=True)
    turns = [(rehearsed(), twin_alone()) for _ in range(TURNS)]
    for name, some in (("the example as a program", [a for a, _ in turns]), ("the twin alone", [b for _, b in turns])):
        print(f"{name}: {statistics.median(some):.0f} times real time (turns {', '.join(f'{one:.0f}' for one in some)})")
    print(f"ratio {statistics.median(a / b for a, b in turns):.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
