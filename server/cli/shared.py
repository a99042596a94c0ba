"""What several commands share: the caution, a number of the command line, progress on stderr. Imports nothing heavy."""

from __future__ import annotations

import argparse
import contextlib
import logging
import os
import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from server.flight.units import Units

CAUTION = "Blockhouse is not a safety device. The range safety officer, local law and the physical arming key decide."

ALLOW_UNBOUND = "allow routine commands to a vehicle whose commands are bound to no vehicle, dictionary or time"

Progress = Callable[[str], None]


def number(low: float, high: float) -> Callable[[str], float]:
    """Return a reader of one number of the command line; what is not in low..high is refused in a sentence."""
    return lambda text: _within(text, _read(text, float, "a number"), low, high)


def whole_number(low: int, high: int) -> Callable[[str], int]:
    """Return a reader of one whole number of the command line; what is not in low..high is refused in a sentence."""
    return lambda text: int(_within(text, _read(text, int, "a whole number"), low, high))


def _read(text: str, kind: Callable[[str], float], name: str) -> float:
    try:
        return kind(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is not {name}") from error


def _within(text: str, value: float, low: float, high: float) -> float:
    if not low <= value <= high:  # also refuses what is not a number
        raise argparse.ArgumentTypeError(f"must be {low:g}..{high:g}, got {text}")
    return value


def add_units(parser: argparse.ArgumentParser) -> None:
    """Fill in `--units`."""
    parser.add_argument("--units", choices=["metric", "imperial"], help="heights and speeds in m, m/s or in ft, mph")


def units_of(options: argparse.Namespace) -> Units:
    """Return the units asked for, else those of the person's settings file; raises SettingsProblem."""
    from server.flight.units import CHOICES
    from server.settings import person_units

    return CHOICES[options.units or person_units()]


def make_progress() -> Progress:
    """Return a function that shows progress on stderr once a second has passed, on a terminal in one line."""
    begun = time.monotonic()
    shown = [0.0]

    def progress(text: str) -> None:
        now = time.monotonic()
        if not text or now - begun < 1.0 or now - shown[0] < 0.5:
            return
        shown[0] = now
        print(text, end="\r" if sys.stderr.isatty() else "\n", file=sys.stderr, flush=True)

    return progress


def print_line(stream: TextIO, text: str) -> None:
    """Print one line at once, to the descriptor where the stream has one.

    A thread that stands still inside a stream keeps the stream's lock, and Python cannot end without it. Raises OSError.
    """
    try:
        descriptor = stream.fileno()
    except (OSError, ValueError):
        descriptor = -1
    if descriptor < 0 or sys.platform == "win32":  # there a console is no file that takes bytes
        print(text, file=stream, flush=True)
        return
    stream.flush()
    rest = f"{text}\n".encode(stream.encoding or "utf-8", "replace")
    while rest:
        rest = rest[os.write(descriptor, rest) :]


def say(text: str) -> None:
    """Print one line at once, also into a pipe. Once the terminal or the pipe's reader has gone, lines are dropped."""
    try:
        print_line(sys.stdout, text)
    except OSError as error:
        logging.getLogger("blockhouse").info("nobody reads what is printed any more: %s", error.strerror)
        with contextlib.suppress(OSError, ValueError):  # or the rest would be tried once more at the program's end
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, sys.stdout.fileno())
            os.close(nowhere)
