"""`blockhouse rehearse`: flight code flown in closed loop with the simulated vehicle.

Compiled for this computer (--program), or in a real computer at the end of a cable (--port, `rehearsals.port`). The
program is started with two arguments, a key file and a file for its count of starts, both made for it in a folder that is
removed afterwards: nothing of the station's own key is used, and nothing but the program's standard input and output.
Each run is recorded as a session of its own, marked so that nothing takes it for a flight. Exit code 0: all runs passed.
3: something was wrong, or a run is invalid. 1: it could not run.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import os
import random
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from server.cli.paper import ACT, LOOK, TITLE, Block, Table, Words, show
from server.cli.rehearsals.again import fly_again
from server.cli.rehearsals.history import tell_history
from server.cli.rehearsals.motors import motor_blocks
from server.cli.rehearsals.port import CAUTIONS, add_port, met_at_port, say
from server.design.sheet_files import load_sheets
from server.json_text import finite
from server.recording.clock import SystemClock
from server.recording.segment import safe_name, session_name
from server.recording.session_header import make_header
from server.rehearsal.against_truth import POSITION_AND_VELOCITY, TURNING, unit_of
from server.rehearsal.cases import Player, case_text, how_often, moments_of, read_case
from server.rehearsal.closed_loop import Plan, fly_stepped
from server.rehearsal.conversation import Conversation, RehearsalProblem, check_simulators
from server.rehearsal.flown import Flown
from server.rehearsal.history import FILE, build_of, keep, past_of
from server.rehearsal.judging import BY_ITSELF, PUSHED_AWAY, Bounds, Judge, Wrong, believed_of
from server.rehearsal.paced import fly_paced
from server.rehearsal.score import Run, junit, run_of, verdict
from server.rehearsal.sensor_faults import ON_COMPUTER, read_fault
from server.rehearsal.shadow import Shadow
from server.rehearsal.shrinking import shrunk
from server.rehearsal.side_motors import pushed_away, side_motors
from server.rehearsal.tape import Tape, write_tape
from server.rehearsal.track import track_of
from server.rehearsal.track_file import write_track
from server.rehearsal.wires import ProgramWire
from server.settings import default_folders
from server.timestamps import NS_PER_S
from server.twin.scenarios import load_scenario, scenario_names
from server.version import software

PASSED, FAILED = 0, 3
EVERY = "all"
AGAIN = 2  # more times a flight is begun on a machine that stands still
HEAD = (
    "flight", "seed", "", "deployed", "twin's own", "times real time",
    "answer", "99th", "most", "jitter, 99th", "cycle, most",
)  # fmt: skip
Reached = tuple[Conversation, float | None]
HERE = "On this computer only: the program moves nothing."
CAUTION = "Blockhouse is not a safety device; what passes here has not flown."


def add_rehearse(parser: argparse.ArgumentParser) -> None:
    """Fill in `rehearse`."""
    parser.description = f"{CAUTION} With --port: {' '.join(CAUTIONS)}"
    computer = parser.add_mutually_exclusive_group(required=True)
    computer.add_argument("--program", type=Path, metavar="FILE", help="flight code compiled for rehearsal")
    computer.add_argument("--port", metavar="URL", help="a real computer: device, socket://host:port or rfc2217://host:port")
    computer.add_argument("--history", action="store_true", help="say how each build has done in all rehearsals so far")
    add_port(parser)
    parser.add_argument("--dictionary", type=Path, metavar="FILE", help="the vehicle's dictionary (default: Sandpiper)")
    parser.add_argument("--scenario", choices=[*scenario_names(), EVERY], default="calm", help="what happens on the flight")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="of the first run; each further one adds 1")
    parser.add_argument("--runs", type=int, default=1, metavar="N", help="how many of each scenario")
    parser.add_argument("--until", type=float, default=math.inf, metavar="S", help="end each flight then, in the air or not")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="TEXT",
        help="on the sensors: 'stuck gyro.a.z at coast for 1', 'loss by 0.1', 'not-a-number pressure at 8 for 0.05', ...",
    )
    parser.add_argument(
        "--within",
        type=float,
        default=1.0,
        metavar="N",
        help="state vectors N times as far from the twin's own computer pass, for a filter unlike its (default 1)",
    )
    parser.add_argument(
        "--simulator",
        action="append",
        type=int,
        default=[],
        metavar="CHANNEL",
        help="a simulator, no igniter, is connected to this lateral channel (never recovery); runs out, two acts at a port",
    )
    parser.add_argument("--shrink", type=Path, metavar="FILE", help="write the least that shows the first fault found")
    parser.add_argument("--case", type=Path, metavar="FILE", help="play such a file instead of flying")
    parser.add_argument(
        "--session", type=Path, metavar="FILE", help="play the sensors of a recorded flight instead of flying"
    )
    parser.add_argument("--onboard", type=Path, metavar="LOG", help="take them from the vehicle's own log of that flight")
    parser.add_argument("--times", type=int, default=8, metavar="N", help="how often a case is played (default 8)")
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="folder of the recordings, one a run")
    parser.add_argument("--junit", type=Path, metavar="FILE", help="write the runs as JUnit XML")
    parser.add_argument("--json", action="store_true", help="print the runs as JSON")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Fly, or play a case; print what came of it."""
    sessions = options.sessions or default_folders()[0]
    if options.history:
        tell_history(sessions, options.json)
        return PASSED
    dictionary = load_dictionary(options.dictionary)
    if options.runs < 1 or options.times < 1:
        raise RehearsalProblem("--runs and --times take numbers of 1 and more.")
    if not 0.0 < options.within < math.inf:
        raise RehearsalProblem("--within takes a number above 0.")
    faults = [read_fault(text, dictionary) for text in options.fault]
    if not Shadow.can_follow(dictionary):
        raise RehearsalProblem("The step's stimulus lacks what the twin's own computer needs: accel.a, gyro.a and pressure.")
    check_simulators(dictionary, options.simulator)
    names = scenario_names() if options.scenario == EVERY else [options.scenario]
    seeds = range(options.seed, options.seed + options.runs)
    with reached(options, dictionary, len(names) * len(seeds)) as (talk, pace):
        if talk.restart is None and any(fault.kind in ON_COMPUTER for fault in faults):
            raise RehearsalProblem("Only a program and an emulated board (--monitor) can be started anew in flight.")
        talk.acknowledge(options.simulator)
        judge = Judge(talk.reader, dictionary.roles["vehicle_phase"].values, Bounds().times(options.within))
        if options.case is not None:
            return play_case(options, dictionary, talk, judge)
        if options.session is not None:
            return play_session(options, dictionary, talk, judge)
        runs: list[Run] = []
        worst: tuple[Flown, Wrong, Plan] | None = None
        for name, seed in itertools.product(names, seeds):
            plan = Plan(load_scenario(name), seed, faults, until_s=options.until)
            talk.tape = Tape()
            flown, wrongs, one = fly(talk, judge, plan, pace)
            file = record(talk, sessions, f"{name}, seed {seed}")
            runs.append(replace(one, recording=str(file)))
            write_track(file, track_of(one, flown, talk.reader, judge.phases))
            found = [wrong for wrong in wrongs if wrong.kind != PUSHED_AWAY]  # stimuli alone do not show where a push went
            if found and worst is None and not (one.invalid or flown.outages):  # neither can be played again
                worst = flown, found[0], plan
            if options.port is not None:
                say(f"{name}, seed {seed}: {'passed' if one.passed else 'INVALID' if one.invalid else 'WRONG'}")
        keep_history(sessions, options.program, runs, talk.firmware)
        report(options, runs, talk.firmware)
        if worst is not None and options.shrink is not None:
            flown, wrong, plan = worst
            shrink(options.shrink, dictionary, Player(talk, judge, plan.scenario.vehicle()), flown, wrong, plan.seed)
    return PASSED if all(one.passed for one in runs) else FAILED


def keep_history(sessions: Path, program: Path | None, runs: list[Run], firmware: str) -> None:
    """Keep how the runs went, by build."""
    build = build_of(program)
    utc = datetime.fromtimestamp(SystemClock().wall_ns() / NS_PER_S, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    keep(sessions / FILE, [past_of(one, firmware, build, utc) for one in runs])


@contextmanager
def reached(options: argparse.Namespace, dictionary: Dictionary, flights: int) -> Iterator[Reached]:
    """Reach the computer; yields it, and how fast its clock goes by ours, None for a program that has none."""
    if options.port is None:
        with met(options.program, dictionary) as talk:
            yield talk, None
        return
    count, what = flights, f"{flights} flight{'s' * (flights != 1)} on the bench"
    if options.session is not None:
        count, what = 1, f"{options.session} flown again on the bench"
    if options.case is not None:
        count, what = options.times, f"{options.case} played {options.times} times"
    elif options.shrink is not None:
        what += ", and the search for the least that shows what is wrong"
    with met_at_port(options, dictionary, what, count) as reached:
        yield reached


@contextmanager
def met(program: Path, dictionary: Dictionary) -> Iterator[Conversation]:
    """Start the program with a key of its own, and meet it; end it afterwards."""
    key = os.urandom(32)
    counters = itertools.count(1)
    with tempfile.TemporaryDirectory() as folder:
        key_file = Path(folder) / "key"
        key_file.touch(0o600)
        key_file.write_text(key.hex(), "ascii")
        wire = ProgramWire(program, [str(key_file), str(Path(folder) / "starts")])
        talk = Conversation(dictionary, key, wire, lambda: next(counters), time.monotonic)
        talk.restart = wire.restart
        try:
            talk.meet()
            yield talk
        finally:
            talk.close()


def fly(talk: Conversation, judge: Judge, plan: Plan, pace: float | None = None) -> tuple[Flown, list[Wrong], Run]:
    """Fly one run and judge it; `pace` of the computer's own clock, None where it has none and each step waits.

    A program is flown again, a few times, when this machine stood still: with the same seed it is the same flight.
    """
    flown = flown_once(talk, plan, pace)
    for _ in range(AGAIN if pace is None else 0):
        if flown.invalid:
            flown = flown_once(talk, plan, pace)
    believed = believed_of(Shadow(plan.scenario.vehicle(), talk.dictionary), flown)
    wrongs = judge.wrongs(flown, believed)
    if flown.invalid:  # steps were longer than the twin's own computer has them
        wrongs = [wrong for wrong in wrongs if wrong.kind in BY_ITSELF]
    motors = side_motors(talk, plan, flown)
    wrongs = sorted([*wrongs, *pushed_away(flown, motors)], key=lambda wrong: wrong.frame)
    deployment_s = judge.deployment(flown, believed)
    return flown, wrongs, run_of(plan.scenario.name, plan.seed, flown, wrongs, deployment_s, talk.reader, motors)


def flown_once(talk: Conversation, plan: Plan, pace: float | None) -> Flown:
    """Fly one run from entering the rehearsal to leaving it."""
    talk.begin()
    flown = fly_stepped(talk, plan, time.monotonic) if pace is None else fly_paced(talk, plan, time.monotonic, pace)
    talk.leave()
    return flown


def record(talk: Conversation, folder: Path, what: str) -> Path:
    """Write the tape as a session and take it off; returns the file. Raises RecorderFailed."""
    assert talk.tape is not None
    dictionary, clock, sheets = talk.dictionary, SystemClock(), load_sheets(None, True)
    header = make_header(
        clock,
        software=software(),
        dictionary=dictionary.text,
        dictionary_hash=f"{dictionary.hash32:08x}",
        vehicle=sheets.vehicle,
        site=sheets.site,
        source=f"rehearsal of {talk.firmware}".strip(),
    )
    folder.mkdir(parents=True, exist_ok=True)
    name = f"{session_name(clock.wall_ns(), dictionary.vehicle)}-rehearsal-{safe_name(what)}"
    tape, talk.tape = talk.tape, None
    return write_tape(tape, folder, name, header, what, clock)


def report(options: argparse.Namespace, runs: list[Run], firmware: str) -> None:
    """Print the runs, and write them where it was asked."""
    if options.junit is not None:
        options.junit.write_text(junit(runs, firmware), "utf-8")
    if options.json:
        print(json.dumps(finite({"firmware": firmware, "verdict": verdict(runs), "runs": [asdict(one) for one in runs]})))
        return
    show([Words(CAUTION if options.port is not None else f"{HERE} {CAUTION}"), *blocks(runs, firmware)])


def blocks(runs: list[Run], firmware: str) -> Iterator[Block]:
    """Yield what is printed of the runs."""
    rows = [
        (
            one.scenario,
            str(one.seed),
            "passed" if one.passed else "INVALID" if one.invalid else "WRONG",
            *(f"{at:.2f} s" if at is not None else "never" for at in one.deployment_s),
            f"{one.duration_s / one.took_s:.3g}" if one.took_s else "",
            *(f"{delay * 1e3:.2f} ms" for delay in (*one.delay_s, one.delay_most_s, one.jitter_s[0])),
            f"{one.cycle_us / 1e3:.3f} ms" if one.cycle_us else "not told",
        )
        for one in runs
    ]
    styles = {place: ACT for place, one in enumerate(runs) if not one.passed}
    yield Table(rows, HEAD, frozenset(range(3, len(HEAD))), styles)
    yield Words("State against truth until recovery is ordered: rms, worst.")
    yield _against(runs, POSITION_AND_VELOCITY)
    yield _against(runs, TURNING)
    yield from motor_blocks(runs)
    for one in runs:
        if one.invalid:
            yield Words(f"{one.scenario}, seed {one.seed}: INVALID: {one.invalid}.", ACT)
        for from_s, until_s in one.outages_s:
            then = "not ordered" if one.ordered_s is None else f"ordered at {one.ordered_s:.2f} s"
            yield Words(f"{one.scenario}, seed {one.seed}: without power {from_s:.2f} to {until_s:.2f} s; recovery {then}")
        for wrong in one.wrongs:
            yield Words(f"{one.scenario}, seed {one.seed}: {wrong.sentence()}", LOOK)
    yield Words(f"{firmware or 'this build'}: {verdict(runs)}", TITLE)
    if runs:
        more = f" and {len(runs) - 1} more beside it" if len(runs) > 1 else ""
        yield Words(f"Recorded as a rehearsal, never as a flight: {runs[0].recording}{more}.")


def _against(runs: list[Run], roles: Sequence[str]) -> Table:
    degrees = {"rad": ("deg", math.degrees(1.0)), "rad/s": ("deg/s", math.degrees(1.0))}
    shown = [(role, *degrees.get(unit_of(role), (unit_of(role), 1.0))) for role in roles]
    nothing = (math.nan, math.nan)
    rows = [
        (
            one.scenario,
            str(one.seed),
            *("{:.2f}, {:.2f}".format(*(per * of for of in one.state.get(role, nothing))) for role, _, per in shown),
        )
        for one in runs
    ]
    head = ("flight", "seed", *(f"{role}, {unit}" for role, unit, _ in shown))
    return Table(rows, head, frozenset(range(2, len(head))))


def shrink(file: Path, dictionary: Dictionary, player: Player, flown: Flown, wrong: Wrong, seed: int) -> None:
    """Look for the least of a run that still shows what was wrong, write it, say what it shows and how often."""
    case = shrunk(player, moments_of(flown), wrong, dictionary)
    tries = player.tries
    file.write_text(case_text(case), "utf-8")
    player = player.asked_for(case.within)
    seen = player.shows(case.moments, case.kind, case.component)
    often = how_often(player, case, 8, random.Random(seed))
    show([
        Words(
            f"Shrunk from {len(flown.frames)} frames to {case.frames}, channels: {', '.join(case.channels) or 'none'}.",
            TITLE,
        ),
        Words(seen.sentence() if seen is not None else "Played once more it does not show: it comes and goes.", LOOK),
        Words(f"{tries} tries. With times moved by up to 1 ms it shows in {often} of 8."),
        Words(f"Written to {file}; play it with --case."),
    ])  # fmt: skip


def play_session(options: argparse.Namespace, dictionary: Dictionary, talk: Conversation, judge: Judge) -> int:
    """Fly a recorded flight again; returns the exit code."""
    player = Player(talk, judge, load_scenario("calm").vehicle())
    talk.tape = Tape()
    flown, apart, wrongs = fly_again(options, dictionary, player)
    file = record(talk, options.sessions or default_folders()[0], f"{options.session.stem} again")
    show([Words(f"Recorded as a rehearsal, never as a flight: {file}.")])
    if options.shrink is not None:
        if not wrongs:
            raise RehearsalProblem(
                "Nothing was wrong by itself in what the computer answered, so there is nothing to shrink."
            )
        shrink(options.shrink, dictionary, player, flown, wrongs[0], options.seed)
    return FAILED if apart or wrongs else PASSED


def play_case(options: argparse.Namespace, dictionary: Dictionary, talk: Conversation, judge: Judge) -> int:
    """Play a case file; returns the exit code."""
    case = read_case(options.case, dictionary)
    player = Player(talk, judge, load_scenario(options.scenario if options.scenario != EVERY else "calm").vehicle())
    player = player.asked_for(case.within)
    seen = [player.shows(case.moments, case.kind, case.component) for _ in range(options.times)]
    shown = [wrong for wrong in seen if wrong is not None]
    if not shown:
        show([Words(f"{case.component}, {case.kind}: not reproduced in {options.times} of {options.times}.", TITLE)])
        return PASSED
    show([Words(shown[0].sentence(), LOOK), Words(f"Reproduced in {len(shown)} of {options.times}.", ACT)])
    return FAILED
