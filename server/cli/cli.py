"""The command line. Every failure is one sentence on stderr and a non-zero exit code.

A command's module is imported when that command is asked for, and not before: the rooms below it take fifty times as long
to import as the answer to `--version` takes to print.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from typing import NoReturn

from server.cli.shared import CAUTION
from server.problems import Problem

# Command, the module of this room that has it, and what `--help` says. The module's `add_COMMAND` fills in the parser.
COMMANDS = (
    ("demo", "demo", "fly a simulated vehicle and watch it on the page"),
    ("live", "live", "connect to a radio and watch the vehicle"),
    ("twin", "twin", "run only the simulated vehicle, for rehearsals"),
    ("replay", "replay", "replay a recorded session on the page"),
    ("summary", "summary", "print a session in numbers"),
    ("recover", "recover", "write a clean copy of a damaged session and say what could not be saved"),
    ("onboard", "review", "bring the vehicle's own log beside a recording and align its clock"),
    ("compare", "review", "two or more flights side by side, aligned at a moment"),
    ("export", "review", "write a session's tables (CSV, Parquet) or its track (KML, GPX)"),
    ("report", "review", "write a session's report as one HTML file that needs nothing else"),
    ("configuration", "plan", "center of gravity and of pressure, margin and swing by the sheet"),
    ("next", "plan", "forecast the next flight, and what a change would do"),
    ("key", "key", "show the command key's place and fingerprint, write it for the flight computer, or make a new one"),
    ("padsheet", "pad", "check and print a pad sheet, or how the one of a session stood"),
    ("trial", "trial", "run a written bench trial and keep the score"),
    ("firmware", "firmware", "write the flight computer's half of the link as C"),
    ("check", "check", "check a vehicle on the bench against its dictionary"),
    ("dictionary", "dictionary", "draft a dictionary from a log, or look one over"),
    ("doctor", "doctor", "look whether this computer is fit for a launch, and say what to mend"),
    ("ports", "ports", "list serial ports and whether each can be opened"),
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return the exit code."""
    given = sys.argv[1:] if arguments is None else arguments
    try:
        options = _parser(given).parse_args(given)
        run: Callable[[argparse.Namespace], int] = options.run
        return run(options)
    except Problem as error:
        return _fail(str(error))
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        return 1
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        return _fail(f"{place}{error.strerror or error}.")


def _fail(sentence: str) -> int:
    print(f"blockhouse: {sentence}", file=sys.stderr)
    return 1


class _OneSentence(argparse.ArgumentParser):
    """A parser that refuses in one sentence; `--help` has the rest."""

    def error(self, message: str) -> NoReturn:
        """End with exit code 2 and one sentence."""
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help.\n")


class _Version(argparse.Action):
    """Print the version, which is looked up only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        from server.version import version_line

        print(version_line())
        parser.exit()


def _parser(arguments: Sequence[str]) -> argparse.ArgumentParser:
    parser = _OneSentence(prog="blockhouse", description="Ground station for fin-steered model rockets.", epilog=CAUTION)
    parser.add_argument("--version", action=_Version, nargs=0, help="show program's version number and exit")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    # What stands before the command are options without a value, so the first word is the command.
    asked = next((word for word in arguments if not word.startswith("-")), None)
    for name, module, help in COMMANDS:
        command = commands.add_parser(name, help=help)
        if name == asked:
            add: Callable[[argparse.ArgumentParser], None] = getattr(import_module(f"server.cli.{module}"), f"add_{name}")
            add(command)
    return parser


if __name__ == "__main__":
    raise SystemExit(main())
