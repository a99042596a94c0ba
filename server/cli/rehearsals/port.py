"""`blockhouse rehearse --port`: a real flight computer at the other end of a cable, and the two acts that it takes.

Entering is a guarded command in ground test. So the person at the terminal types `rehearse`, and then, not too soon and
not too late, the number of rehearsals. Where the vehicle is not in ground test two acts for that come first: `ground
test`, then `enter`. Key and counter are the station's own.
"""

from __future__ import annotations

import argparse
import asyncio
import socket
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from protocol.dictionary import Dictionary
from server.bridge.ports import explain, is_url_understood, open_port
from server.cli.trial import Lines
from server.rehearsal.conversation import GROUND_TEST, Conversation, RehearsalProblem, ground_test_command
from server.rehearsal.paced import pace_of
from server.rehearsal.wires import PortWire
from server.settings import copies_folder, default_folders
from server.uplink.counter_store import CounterStore
from server.uplink.key_file import load_or_make_key
from server.uplink.two_acts import CONFIRM_EARLIEST_S, CONFIRM_LATEST_S, FirstAct

PACE_S = 3.0  # listened to the vehicle's clock, to 10 ms
OPERATOR = "terminal"
CAUTIONS = (
    "Igniters and ejection charges out, every one of them: the computer will believe that it flies, and will fire.",
    "Motor out. Arming key out.",
    "Hands clear of the fins: they move, and without warning.",
    "The range safety officer decides, and so do your club's rules and local law. Blockhouse is not a safety device.",
)


def add_port(parser: argparse.ArgumentParser) -> None:
    """Add what is asked of a port."""
    parser.add_argument(
        "--emulated",
        action="store_true",
        help="the port leads to an emulated computer: no clock but its answers, so the flight waits for each",
    )
    parser.add_argument(
        "--monitor", metavar="HOST:PORT", help="the emulator's monitor, for faults that start the computer anew"
    )
    parser.add_argument("--baud", type=int, metavar="N", help="speed of the port (default: the dictionary's)")
    parser.add_argument("--keys", type=Path, metavar="DIR", help="folder of the command key and its counter")
    parser.add_argument(
        "--acts-from-stdin", action="store_true", help="read the acts, one a line, although stdin is no terminal"
    )


@contextmanager
def met_at_port(
    options: argparse.Namespace, dictionary: Dictionary, what: str, count: int
) -> Iterator[tuple[Conversation, float | None]]:
    """Open the port, meet the computer, wait for the acts; yields it, and its clock's pace by ours, None if emulated.

    `what` says what is to be done, `count` is the number that the second act is.
    """
    problem = is_url_understood(options.port)
    if problem:
        raise RehearsalProblem(problem)
    if not sys.stdin.isatty() and not options.acts_from_stdin:
        raise RehearsalProblem(
            "A rehearsal needs a person at a terminal; to read the acts from elsewhere, say --acts-from-stdin."
        )
    keys = options.keys or default_folders()[1]
    key = load_or_make_key(keys, copies_folder())
    counters = CounterStore(keys, key, copies_folder())
    try:
        port = open_port(options.port, options.baud or dictionary.modem_baud)
    except (OSError, ValueError) as error:
        raise RehearsalProblem(explain(options.port, error).sentence) from error
    talk = Conversation(dictionary, key, PortWire(port, options.port), counters.take, time.monotonic)
    if options.monitor is not None:
        if not options.emulated:
            raise RehearsalProblem("A monitor is an emulator's: say --emulated.")
        talk.restart = lambda: reset_emulated(options.monitor)
    try:
        say(f"listening on {options.port}")
        talk.meet()
        asyncio.run(_acts(talk, what, count, options.simulator))
        pace = _pace(talk, options.emulated)  # heard only now: a command runs out by its clock, and a person takes time
        yield talk, None if options.emulated else pace
    finally:
        _let_go(talk)


def _pace(talk: Conversation, emulated: bool) -> float:
    pace = pace_of(talk.pace(PACE_S))
    if not pace > 0.0:
        raise RehearsalProblem("Its clock does not go on: nothing was asked of it.")
    if pace != 1.0 and not emulated:
        say(f"Its clock goes at {pace:.2f} of ours, and so will the flight.")
    return pace


def reset_emulated(monitor: str) -> None:
    """Have the emulator start its computer anew; raises RehearsalProblem when its monitor cannot be reached."""
    host, _, number = monitor.rpartition(":")
    try:
        with socket.create_connection((host, int(number)), 5.0) as line:
            line.recv(4096)
            line.sendall(b"system_reset\n")
            while b"system_reset" not in line.recv(4096):
                pass
    except (OSError, ValueError, OverflowError) as error:
        raise RehearsalProblem(f"No emulator's monitor answers at {monitor}.") from error


def _let_go(talk: Conversation) -> None:
    try:
        if talk.rehearses:  # stopped in the middle of it
            talk.leave()
    finally:
        talk.close()


async def _acts(talk: Conversation, what: str, count: int, simulators: Sequence[int]) -> None:
    lines = Lines(sys.stdin)
    for text in CAUTIONS:
        say(f"CAUTION: {text}")
    bench = ground_test_command(talk.dictionary)
    if bench is not None and talk.phase != GROUND_TEST:
        command, _ = bench
        say(f"The vehicle is not in ground-test mode. {command.does} CAUTION: {command.caution or ''}".rstrip())
        await two(lines, time.monotonic, "Type 'ground test' to get that ready:", "ground test", "type 'enter':", "enter")
    for channel in simulators:
        command = next(one for one in talk.dictionary.commands.values() if one.rehearsal == "simulator")
        say(f"Lateral channel {channel}. {command.does} CAUTION: {command.caution or ''}".rstrip())
        word = f"simulator {channel}"
        await two(lines, time.monotonic, f"Type '{word}' to get that ready:", word, "type the channel:", str(channel))
    await two(
        lines,
        time.monotonic,
        f"{what}. Type 'rehearse' to get it ready:",
        "rehearse",
        f"type the number, {count}:",
        str(count),
    )


async def two(lines: Lines, now: Callable[[], float], first: str, wanted: str, second: str, confirm: str) -> None:
    """Wait for two acts, the second neither too soon nor too late by the clock `now`; raises RehearsalProblem otherwise."""
    await _act(lines, first, wanted)
    act = FirstAct(OPERATOR, "guarded", now())
    await asyncio.sleep(CONFIRM_EARLIEST_S + 0.05)
    await _act(lines, f"ready for {CONFIRM_LATEST_S:g} s: {second}", confirm)
    if act.is_over(now()):
        raise RehearsalProblem(f"The second act came after more than {CONFIRM_LATEST_S:g} s: nothing was started.")


async def _act(lines: Lines, prompt: str, wanted: str) -> None:
    say(prompt)
    line = await lines.next()
    if line is None:
        raise RehearsalProblem(f"The act '{wanted}' did not come: nothing was started.")
    if line != wanted:
        raise RehearsalProblem(f"'{line[:40]}' is not '{wanted}': nothing was started.")


def say(text: str) -> None:
    """Tell the person at the terminal; what is asked for as JSON goes to stdout alone."""
    print(text, file=sys.stderr, flush=True)
