"""What an open loop finds in what a radio brought: `python -m tests.server.rehearsal.open_loop_table [--seed N]`.

A flight of each planted mistake in calm air, only what came down of it played into the clean build, and a flight of the
clean build played into each mistake; then flights of the clean build, `--clean` of them from `--seed` on in steps of two,
each played into the clean build. Printed: the first frame apart and its component, what was wrong by itself, and how many
of the clean ones are falsely apart. Bounds are chosen on odd seeds; a table that is kept is of even ones.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from functools import cache
from pathlib import Path

from server.cli.rehearsals.again import recorded_flight
from server.cli.rehearse import fly, record
from server.firmware.flight_source import FAULTS
from server.recording.clock import SystemClock
from server.recording.records import Kind
from server.recording.session_file import open_session
from server.rehearsal.closed_loop import Plan
from server.rehearsal.judging import BY_ITSELF, Wrong
from server.rehearsal.open_loop import Comparison
from server.rehearsal.tape import Tape, write_tape
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.rehearsal.helpers import computer, judge, player


def heard(session: Path) -> Path:
    """Write what came down of a rehearsal as a session of its own, nothing of what was sent up; returns the file."""
    whole = open_session(session)
    origin = whole.header.origin_monotonic_ns
    down = [(False, (one.mono_ns - origin) // 1000, one.payload) for one in whole.records if one.kind == Kind.RECEIVED]
    return write_tape(Tape(0, down), session.parent, f"{session.stem} heard", whole.header, None, SystemClock())


@cache
def flight_heard(folder: Path, fault: int, seed: int) -> Path:
    """Fly a build once, calm air; returns what a radio would have brought of it."""
    with computer(fault) as talk:
        talk.tape = Tape()
        fly(talk, judge(), Plan(load_scenario("calm"), seed))
        return heard(record(talk, folder, f"{fault} {seed}"))


def apart(session: Path, fault: int) -> tuple[list[Wrong], list[Wrong]]:
    """Play a recording into a build; returns what is apart from the record, and what is wrong by itself."""
    recorded, exact = recorded_flight(session, None, SANDPIPER)
    assert not exact
    with player(fault) as one:
        run, wrongs = one.wrongs(recorded.moments)
        found = Comparison(one.talk.reader, recorded, exact).wrongs(run)
    return found, [wrong for wrong in wrongs if wrong.kind in BY_ITSELF]


def told(found: tuple[list[Wrong], list[Wrong]]) -> str:
    """Return what was found in a few words."""
    compared, alone = found
    words = [
        f"frame {w.frame}, {w.time_us / 1e6:.2f} s, {w.component}: {w.told:.4g}, was {w.wanted:.4g}" for w in compared[:1]
    ]
    words += [f"by itself frame {w.frame}, {w.component}" for w in alone[:1]]
    return "; ".join(words) or "nothing apart"


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=4, help="of the flights, and the first of the clean ones")
    parser.add_argument("--clean", type=int, default=10, metavar="N", help="how many clean flights into the clean build")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder, false = Path(name), 0
        for seed in range(options.seed, options.seed + 2 * options.clean, 2):
            found = apart(flight_heard(folder, 0, seed), 0)
            false += bool(found[0] or found[1])
            print(f"clean into clean, seed {seed}: {told(found)}", flush=True)
        print(f"clean into clean: {false} of {options.clean} falsely apart", flush=True)
        for fault in range(1, FAULTS + 1):
            print(f"{fault} into clean: {told(apart(flight_heard(folder, fault, options.seed), 0))}", flush=True)
            print(f"clean into {fault}: {told(apart(flight_heard(folder, 0, options.seed), fault))}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
