"""`blockhouse check`: a vehicle on the bench against its dictionary and the rules of the wire, printed as a table."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import serial

from protocol.commands import Command
from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from server.bridge.ports import OpenPort, explain, is_url_understood, open_port
from server.cli.paper import ACT, LOOK, TITLE, Block, Table, Words, show
from server.flight.units import with_signs
from server.problems import Problem
from server.settings import copies_folder, default_folders
from server.uplink.counter_store import CounterStore
from server.uplink.key_file import load_or_make_key
from server.uplink.rules import UNDERSTATED
from server.workbench.check_lines import FAULT, OPEN, CheckLine
from server.workbench.conformance import Bench

ADVICE = (
    "On the bench: igniters out, arming key out. Asks only for a routine command and Safe all; all else must be refused."
)


class CheckProblem(Problem):
    """The check cannot be made; the text is one plain sentence."""


class SerialPort:
    """A pyserial port as the bench wants it."""

    def __init__(self, port: OpenPort) -> None:
        self._port = port

    def write(self, data: bytes) -> None:
        """Send."""
        self._port.write(data)

    def read(self) -> bytes:
        """Return what has arrived; waits for the first byte as long as the port's time-out."""
        return self._port.read(1) + self._port.read(self._port.in_waiting)


def add_check(parser: argparse.ArgumentParser) -> None:
    """Fill in `check`."""
    parser.description = ADVICE
    parser.add_argument("--port", required=True, metavar="URL", help="device, socket://host:port or rfc2217://host:port")
    parser.add_argument("--baud", type=int, metavar="N", help="speed of the port (default: the dictionary's)")
    parser.add_argument("--dictionary", type=Path, metavar="FILE", help="the vehicle's dictionary (default: Sandpiper)")
    parser.add_argument("--keys", type=Path, metavar="DIR", help="folder of the command key and its counter")
    parser.add_argument("--listen", type=float, default=6.0, metavar="S", help="seconds to listen before asking")
    parser.add_argument(
        "--command", metavar="NAME", help="routine command to ask for (default: ping, else the safe-all one)"
    )
    parser.add_argument("--listen-only", action="store_true", help="send nothing")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Check and print; returns 1 when something is at fault."""
    dictionary = load_dictionary(options.dictionary)
    if dictionary.framing is not None:
        raise CheckProblem(f"{dictionary.name} has a framing of its own; a check knows the rules of Blockhouse's wire only.")
    problem = is_url_understood(options.port)
    if problem:
        raise CheckProblem(problem)
    command = None if options.listen_only else harmless_command(dictionary, options.command)
    key = load_or_make_key(options.keys or default_folders()[1], copies_folder())
    counters = CounterStore(options.keys or default_folders()[1], key, copies_folder())
    try:
        port = open_port(options.port, options.baud or dictionary.modem_baud)
    except (OSError, ValueError) as error:
        raise CheckProblem(explain(options.port, error).sentence) from error
    show([Words(ADVICE)])
    with closing(port):
        try:
            lines = checked(Bench(SerialPort(port), dictionary, key, counters.take, time.monotonic), command, options.listen)
        except serial.SerialException as error:
            raise CheckProblem(explain(options.port, error).sentence) from error
    faults = sum(line.verdict == FAULT for line in lines)
    told = f"{faults} of {len(lines)} at fault" if faults else f"{len(lines)} looked at, none at fault"
    show([*check_blocks(lines), Words(told, ACT if faults else TITLE)])
    return 1 if faults else 0


def check_blocks(lines: Sequence[CheckLine]) -> list[Block]:
    """Return what is printed of the lines: a table, faults in red."""
    styles = {
        place: ACT if line.verdict == FAULT else LOOK for place, line in enumerate(lines) if line.verdict in (FAULT, OPEN)
    }
    return [Table([(line.verdict, line.name, with_signs(line.seen)) for line in lines], styles=styles)]


def checked(bench: Bench, command: Command | None, listen_s: float) -> list[CheckLine]:
    """Listen and ask; returns the lines of the table."""
    bench.listen(listen_s)
    lines = list(bench.downlink_lines())
    if command is not None and bench.frames:
        lines += bench.command_lines(command)
    return lines


def harmless_command(dictionary: Dictionary, name: str | None) -> Command:
    """Return the command to ask for; raises CheckProblem when there is none that is routine."""
    safing = next((command.name for command in dictionary.commands.values() if command.safes_all), None)
    wanted = name or ("ping" if "ping" in dictionary.commands else safing)
    command = dictionary.commands.get(wanted or "")
    if command is None:
        raise CheckProblem(f"{dictionary.name} has no command '{wanted or 'ping'}'; name one with --command.")
    if command.hazard != "routine":
        raise CheckProblem(f"{command.title} is {command.hazard}; a check asks only for routine commands.")
    if dictionary.arms(command):
        raise CheckProblem(f"{command.title} {UNDERSTATED}.")
    return command
