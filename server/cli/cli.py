"""The command line. Every failure is one sentence on stderr and a non-zero exit code.

A command's module is imported when that command is asked for, and not before: the rooms below it take fifty times as long
to import as the answer to `--version` takes to print.
"""

from __future__ import annotations

import argparse
import difflib
import shutil
import sys
import textwrap
from collections.abc import Callable, Sequence
from importlib import import_module
from typing import NoReturn

from server.cli.shared import CAUTION
from server.problems import Problem

# Command, the module of this room that has it, and what `--help` says. The module's `add_COMMAND` fills in the parser.
COMMANDS = (
    ("demo", "demo", "fly a simulated vehicle and watch it on the page"),
    ("doctor", "doctor", "look whether this computer is fit for a launch, and say what to mend"),
    ("ports", "ports", "list serial ports and whether each can be opened"),
    ("dictionary", "dictionary", "draft a dictionary from a log, or look one over"),
    ("firmware", "firmware", "write the flight computer's half of the link as C"),
    ("key", "key", "show the command key's place and fingerprint, write it for the flight computer, or make a new one"),
    ("configuration", "plan", "center of gravity and of pressure, margin and swing by the sheet"),
    ("check", "check", "check a vehicle on the bench against its dictionary"),
    ("trial", "trial", "run a written bench trial and keep the score"),
    ("rehearse", "rehearse", "fly your flight code, compiled for this computer, with the simulated vehicle"),
    ("twin", "twin", "run only the simulated vehicle, for rehearsals"),
    ("live", "live", "connect to a radio and watch the vehicle"),
    ("padsheet", "pad", "check and print a pad sheet, or how the one of a session stood"),
    ("summary", "summary", "tell a session in sentences and numbers"),
    ("replay", "replay", "replay a recorded session on the page"),
    ("compare", "review", "two or more flights side by side, aligned at a moment"),
    ("next", "plan", "forecast the next flight, and what a change would do"),
    ("report", "review", "write a session's report as one HTML file that needs nothing else"),
    ("onboard", "review", "bring the vehicle's own log beside a recording and align its clock"),
    ("export", "review", "write a session's tables (CSV, Parquet) or its track (KML, GPX)"),
    ("recover", "recover", "write a clean copy of a damaged session and say what could not be saved"),
)
# When each is used, as the help has it.
GROUPS = (
    ("What to run first", ("demo", "doctor", "ports")),
    ("Setting up a vehicle", ("dictionary", "firmware", "key", "configuration")),
    ("At the bench", ("check", "trial", "rehearse", "twin")),
    ("At the pad", ("live", "padsheet")),
    ("At home", ("summary", "replay", "compare", "next", "report", "onboard", "export", "recover")),
)
HELP_AT_MOST = 100  # columns; longer lines are hard to read


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return the exit code."""
    given = sys.argv[1:] if arguments is None else arguments
    try:
        parser = _parser(given)
        if not given:  # nothing was asked for, so nothing went wrong
            parser.print_help()
            return 0
        options = parser.parse_args(given)
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
        self.exit(2, f"{self.prog}: {message}{'' if message.endswith('?') else ';'} see {self.prog} --help.\n")


class _Grouped(_OneSentence):
    """The parser of `blockhouse` itself: its help tells what there is by when it is used."""

    def format_help(self) -> str:
        """Return the help, no wider than the terminal."""
        wide = min(shutil.get_terminal_size().columns, HELP_AT_MOST)
        about = {name: text for name, _, text in COMMANDS}

        def wrapped(text: str) -> list[str]:
            return textwrap.wrap(text, wide) or [""]

        lines = [*wrapped(f"usage: {self.prog} COMMAND ...  ({self.prog} COMMAND --help tells more)"), "", *wrapped(
            str(self.description)
        )]  # fmt: skip
        for title, names in GROUPS:
            lines += ["", f"  {title}"]
            for name in names:
                # A command longer than its column has its words below it.
                lines += textwrap.wrap(
                    f"    {name:<15}{about[name]}", max(wide, 30), subsequent_indent=" " * 19, break_on_hyphens=False
                )
        lines += ["", "  -h, --help         this help", "  --version          the version", "", *wrapped(str(self.epilog))]
        return "\n".join(lines) + "\n"


class _Version(argparse.Action):
    """Print the version, which is looked up only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        from server.version import version_line

        print(version_line())
        parser.exit()


def _parser(arguments: Sequence[str]) -> argparse.ArgumentParser:
    parser = _Grouped(prog="blockhouse", description="Ground station for fin-steered model rockets.", epilog=CAUTION)
    parser.add_argument("--version", action=_Version, nargs=0, help="show program's version number and exit")
    commands = parser.add_subparsers(required=True, metavar="COMMAND", parser_class=_OneSentence)
    # What stands before the command are options without a value, so the first word is the command.
    asked = next((word for word in arguments if not word.startswith("-")), None)
    if asked is not None and asked not in (names := [name for name, _, _ in COMMANDS]):
        near = difflib.get_close_matches(asked, names, 1)
        parser.error(f"there is no command {asked[:40]!r}" + (f"; did you mean {near[0]!r}?" if near else ""))
    for name, module, help in COMMANDS:
        command = commands.add_parser(name, help=help)
        if name == asked:
            add: Callable[[argparse.ArgumentParser], None] = getattr(import_module(f"server.cli.{module}"), f"add_{name}")
            add(command)
    return parser


if __name__ == "__main__":
    raise SystemExit(main())
