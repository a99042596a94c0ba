"""How often what came before a bad frame is named: `python -m tests.accuracy.bad_frames [--flights 60] [--rehearsed]`.

Planted causes of `tests/accuracy/planted_causes.py`; odd numbers are the half a constant may be chosen on, even ones are
only reported. With `--rehearsed` instead the planted mistakes of the example flight computer, flown: at the first frame that
is no number, or else at the first that was wrong otherwise.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Sequence

import numpy as np

from server.analysis.roles import STATE_VECTOR
from server.flight.inertial.precursors import Flown, Sensor, Switch, bad_frames, what_came_before
from server.rehearsal.flown import Flown as Rehearsed
from tests.accuracy.planted_causes import CAUSES, planted

SWITCHES = ("vehicle_phase", "control.mode", "control.enabled", "control.gate.altitude_met", "control.gate.speed_met")
SENSORS = ("the accelerometer of unit A", "the gyro of unit A", "the accelerometer of unit B", "the gyro of unit B")


def table(seeds: Sequence[int]) -> list[str]:
    """Return the lines of the table over some numbers."""
    lines = ["| planted | flights | named rightly | another named | none named | seen |", "|---|---|---|---|---|---|"]
    for cause, wanted in CAUSES.items():
        counts: Counter[str] = Counter()
        for seed in seeds:
            flown, place = planted(cause, np.random.default_rng([5, seed, len(cause)]))
            verdict = what_came_before(flown, place)
            named = verdict.likeliest
            counts["none" if named is None else "right" if wanted and wanted in named.what else "another"] += 1
            counts["seen"] += any(wanted and wanted in one.what and one.chance < 0.02 for one in verdict.clues)
        right = str(counts["right"]) if wanted else "-"
        seen = str(counts["seen"]) if wanted else "-"
        lines.append(f"| {cause} | {len(seeds)} | {right} | {counts['another']} | {counts['none']} | {seen} |")
    return lines


def of_rehearsal(run: Rehearsed) -> tuple[Flown, list[int]]:
    """Return a rehearsal's answers and stimuli as a flight, and which frame of the run each row is."""
    from tests.server.rehearsal.helpers import READER

    frames = [(k, frame) for k, frame in enumerate(run.frames) if frame.answer is not None]
    kept, states, sent, switched = [], [], [], []
    for k, frame in frames:
        state = [READER.value(frame.answer, role) for role in STATE_VECTOR]
        if any(value is None for value in state):
            continue
        kept.append(k)
        states.append(state)
        sent.append(frame.stimuli[-1][2])
        switched.append([str(READER.value(frame.answer, role)) for role in SWITCHES])
    t = np.array([run.frames[k].time_us / 1e6 for k in kept])
    values = np.array(sent, dtype=np.float64)
    sensors = [Sensor(name, t, values[:, 3 * place : 3 * place + 3], "gyro" in name) for place, name in enumerate(SENSORS)]
    sensors.append(Sensor("the barometer", t, values[:, 12:13]))
    words = np.array(switched)
    switches = [
        Switch(name, t, np.unique(words[:, place], return_inverse=True)[1].astype(np.float64))
        for place, name in enumerate(SWITCHES)
    ]
    # In the air: what moves.
    vectors = np.array(states, dtype=np.float64)
    moved = np.flatnonzero(np.nan_to_num(np.abs(vectors[:, 5])) > 0.5)
    alike = t >= (t[moved[0]] - 0.5 if len(moved) else t[0])
    return Flown(t, vectors, sensors, switches, alike), kept


def rehearsed(faults: Sequence[int]) -> list[str]:
    """Return a line for each planted mistake flown once."""
    from tests.server.rehearsal.helpers import flight

    lines = ["| mistake | frames not numbers | first wrong | named | how sure |", "|---|---|---|---|---|"]
    for fault in faults:
        run, wrongs, _ = flight(fault)
        flown, kept = of_rehearsal(run)
        bad = np.flatnonzero(bad_frames(flown))
        frame = kept[int(bad[0])] if len(bad) else wrongs[0].frame if wrongs else None
        if frame is None:
            lines.append(f"| {fault} | 0 | nothing | - | - |")
            continue
        place = int(np.clip(np.searchsorted(kept, frame), 0, len(kept) - 1))
        named = what_came_before(flown, place).likeliest
        what = "nothing stands out" if named is None else named.words
        share = "-" if named is None else f"{named.share:.0%}"
        first = "no number" if len(bad) else f"{wrongs[0].kind}: {wrongs[0].component}"
        lines.append(f"| {fault} | {len(bad)} | {flown.t[place]:.2f} s, {first} | {what} | {share} |")
    return lines


HALVES = {"odd, constants may be chosen on them": 1, "even, only reported": 0}


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.bad_frames", description=__doc__.splitlines()[0])
    parser.add_argument("--flights", type=int, default=60, help="of each cause and half (default 60)")
    parser.add_argument("--rehearsed", action="store_true", help="the example flight computer's planted mistakes instead")
    parser.add_argument("--half", choices=("both", "odd", "even"), default="both")
    options = parser.parse_args(arguments)
    if options.rehearsed:
        print("\n".join(rehearsed(range(10))))
        return 0
    for name, first in HALVES.items():
        if options.half not in ("both", name.split(",")[0]):
            continue
        print(f"numbers that are {name}:")
        print("\n".join(table(range(first + 1000, 1000 + 2 * options.flights, 2))))
    return 0


if __name__ == "__main__":
    sys.exit(main())
