"""The command line. Every failure is one sentence on stderr and a non-zero exit code."""

from __future__ import annotations

import argparse
import asyncio
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NoReturn

from protocol.dictionary import Dictionary, load_dictionary
from server.app import run_live, run_replay, say_to_terminal
from server.bridge.ports import found_ports, is_url_understood
from server.cli import check as check_cli
from server.cli import dictionary as dictionary_cli
from server.cli import firmware as firmware_cli
from server.cli import key as key_cli
from server.cli import pad as pad_cli
from server.cli import plan as plan_cli
from server.cli import review as review_cli
from server.cli import trial as trial_cli
from server.demo import Demo, TwinOptions, run_twin
from server.design.next_flight import planned
from server.design.sheet_files import load_sheets
from server.http.sharing import is_address, lan_address
from server.live.start import Live
from server.pad.plan import load_pad_plan
from server.problems import Problem, SettingsProblem
from server.recording.recover import recover
from server.recording.segment import base_name
from server.review.review import final_figures, open_review, sheets_of
from server.review.summary import summarize, summary_json, summary_text
from server.settings import DEFAULT_HTTP_PORT, Settings, default_folders, version
from server.twin.scenarios import scenario_names
from server.workbench import doctor

CAUTION = "Blockhouse is not a safety device. The range safety officer, local law and the physical arming key decide."


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return the exit code."""
    parser = _parser()
    options = parser.parse_args(arguments)
    try:
        return options.run(options)
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


# ---------------------------------------------------------------- arguments


class _OneSentence(argparse.ArgumentParser):
    """A parser that refuses in one sentence; `--help` has the rest."""

    def error(self, message: str) -> NoReturn:
        """End with exit code 2 and one sentence."""
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help.\n")


def _parser() -> argparse.ArgumentParser:
    parser = _OneSentence(prog="blockhouse", description="Ground station for fin-steered model rockets.", epilog=CAUTION)
    parser.add_argument("--version", action="version", version=f"blockhouse {version()}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add_demo(commands.add_parser("demo", help="fly a simulated vehicle and watch it on the page"))
    _add_live(commands.add_parser("live", help="connect to a radio and watch the vehicle"))
    _add_twin(commands.add_parser("twin", help="run only the simulated vehicle, for rehearsals"))
    _add_replay(commands.add_parser("replay", help="replay a recorded session on the page"))
    _add_files(commands)
    review_cli.add_parsers(commands, _progress)
    plan_cli.add_parser(commands)
    key_cli.add_parser(commands)
    pad_cli.add_parser(commands)
    trial_cli.add_parser(commands)
    firmware_cli.add_parser(commands)
    check_cli.add_parser(commands)
    dictionary_cli.add_parser(commands)
    check = commands.add_parser("doctor", help="look whether this computer is fit for a launch, and say what to mend")
    check.add_argument("--sessions", type=Path, metavar="DIR", help="folder of the recordings")
    check.add_argument("--keys", type=Path, metavar="DIR", help="folder of the command key")
    check.set_defaults(run=_doctor)
    ports = commands.add_parser("ports", help="list serial ports and whether each can be opened")
    ports.set_defaults(run=_ports)
    return parser


def _add_serving(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="folder of the recordings")
    parser.add_argument("--keys", type=Path, metavar="DIR", help="folder of the command key and its counter")
    parser.add_argument(
        "--http-port",
        type=_number(0, 65535, whole=True),
        default=DEFAULT_HTTP_PORT,
        metavar="N",
        help="port of the page (0: any)",
    )
    parser.add_argument("--no-browser", action="store_true", help="do not open the page")
    parser.add_argument(
        "--share",
        nargs="?",
        const="",
        metavar="ADDRESS",
        help="let others on the network watch, view-only, by this computer's address there",
    )
    parser.add_argument("--share-desk", action="store_true", help="with --share: the operator's link works from there too")
    parser.add_argument("--certificate", type=Path, metavar="FILE", help="serve HTTPS with this certificate (PEM)")
    parser.add_argument("--certificate-key", type=Path, metavar="FILE", help="and its private key (PEM)")


def _add_twin_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--scenario", choices=scenario_names(), default="calm", help="what happens on the flight")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="same seed, same flight")
    parser.add_argument(
        "--rate", type=_number(0.05, 200.0), default=1.0, metavar="X", help="so many times faster than real time"
    )
    parser.add_argument(
        "--ignite-after", type=_number(0.0, 1e6), default=40.0, metavar="S", help="vehicle seconds until the motor is lit"
    )
    parser.add_argument(
        "--encoder", type=Path, metavar="PATH", help="compiled bh_host.c of 'blockhouse firmware' to speak for the vehicle"
    )


def _add_demo(parser: argparse.ArgumentParser) -> None:
    _add_twin_options(parser)
    _add_serving(parser)
    parser.add_argument("--quit-when", choices=["landed"], help="end by itself")
    parser.add_argument(
        "--pad-sheet", type=Path, metavar="FILE", help="list to go through on the pad (default: Sandpiper's)"
    )
    parser.add_argument(
        "--onboard-log", type=Path, metavar="FILE", help="at the end, write what the vehicle logged on board"
    )
    parser.set_defaults(run=_demo)


def _add_live(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--port", required=True, metavar="URL", help="device, socket://host:port or rfc2217://host:port")
    parser.add_argument(
        "--baud", type=_number(50, 4_000_000, whole=True), metavar="N", help="speed of the port (default: the dictionary's)"
    )
    parser.add_argument("--dictionary", type=Path, metavar="FILE", help="the vehicle's dictionary (default: Sandpiper)")
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="vehicle and site sheet")
    parser.add_argument("--pad-sheet", type=Path, metavar="FILE", help="list to go through on the pad, with what to tick")
    parser.add_argument("--two-person", action="store_true", help="hazardous commands are confirmed by a second person")
    _add_serving(parser)
    parser.set_defaults(run=_live)


def _add_twin(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--listen", required=True, metavar="URL", help="socket://127.0.0.1:PORT or pty")
    parser.add_argument("--link", type=Path, metavar="PATH", help="with pty: a symbolic link to the device")
    parser.add_argument("--truth", type=Path, metavar="FILE", help="after landing, write what really happened as JSON")
    parser.add_argument("--keys", type=Path, metavar="DIR", help="folder of the command key")
    parser.add_argument(
        "--dictionary", type=Path, metavar="FILE", help="one with a [framing] table flies the small sample vehicle"
    )
    parser.add_argument("--quit-when", choices=["landed"], help="end by itself")
    _add_twin_options(parser)
    parser.set_defaults(run=_twin)


def _add_replay(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, help="the session file")
    _add_serving(parser)
    parser.set_defaults(run=_replay)


def _add_files(commands: argparse._SubParsersAction) -> None:
    summary = commands.add_parser("summary", help="print a session in numbers")
    summary.add_argument("file", type=Path)
    summary.add_argument("--json", action="store_true", help="for scripts")
    summary.set_defaults(run=_summary)
    mend = commands.add_parser("recover", help="write a clean copy of a damaged session and say what could not be saved")
    mend.add_argument("file", type=Path, help="any part of the session; it is only read")
    mend.add_argument("--to", type=Path, metavar="DIR", help="folder of the copy (default: beside the file)")
    mend.add_argument(
        "--dictionary", type=Path, metavar="FILE", help="the vehicle's dictionary, if the file has lost its own"
    )
    mend.set_defaults(run=_recover)


def _number(low: float, high: float, whole: bool = False) -> Callable[[str], float]:
    """Return a reader of one number of the command line; what is not in low..high is refused in a sentence."""

    def read(text: str) -> float:
        try:
            number = int(text) if whole else float(text)
        except ValueError as error:
            kind = "a whole number" if whole else "a number"
            raise argparse.ArgumentTypeError(f"{text!r} is not {kind}") from error
        if not low <= number <= high:  # also refuses what is not a number
            raise argparse.ArgumentTypeError(f"must be {low:g}..{high:g}, got {text}")
        return number

    return read


def _settings(options: argparse.Namespace) -> Settings:
    sessions, keys = default_folders()
    share = options.share
    if share == "":
        share = lan_address()
        if share is None:
            raise SettingsProblem("This computer is on no network, so there is no address to share by; name one.")
    if share is not None and not is_address(share):
        raise SettingsProblem(f"{share} is no address of this computer; --share takes one like 192.0.2.7, or none.")
    if options.share_desk and share is None:
        raise SettingsProblem("--share-desk needs --share.")
    files = (options.certificate, options.certificate_key)
    if (files[0] is None) != (files[1] is None):
        raise SettingsProblem("HTTPS needs both --certificate and --certificate-key.")
    for file in files:
        if file is not None and not file.is_file():
            raise SettingsProblem(f"There is no file {file}.")
    return Settings(
        sessions=options.sessions or sessions,
        keys=options.keys or keys,
        http_port=options.http_port,
        share=share,
        share_desk=options.share_desk,
        certificate=files if files[0] is not None else None,
    )


# ---------------------------------------------------------------- commands


def _demo(options: argparse.Namespace) -> int:
    dictionary = load_dictionary(None)
    settings = _settings(options)
    demo = Demo(dictionary, settings.keys, _twin_options(options))
    demo.start()
    try:
        pad_sheet = load_pad_plan(options.pad_sheet, dictionary)
        sheets = load_sheets(None, True)
        source = f"demo {options.scenario}"
        live = Live(dictionary, sheets, demo.url, dictionary.modem_baud, "demo", source, pad_sheet)
        say_to_terminal(f"Simulated flight '{options.scenario}', seed {options.seed}. {CAUTION}")
        until = demo.over if options.quit_when == "landed" else None
        path = asyncio.run(run_live(live, settings, open_browser=not options.no_browser, say=say_to_terminal, until=until))
    finally:
        demo.stop()
    say_to_terminal(str(path))
    return 0


def _live(options: argparse.Namespace) -> int:
    dictionary: Dictionary = load_dictionary(options.dictionary)
    problem = is_url_understood(options.port)
    if problem:
        return _fail(problem)
    live = Live(
        dictionary,
        load_sheets(options.sheet, False),
        options.port,
        options.baud or dictionary.modem_baud,
        "live",
        options.port,
        load_pad_plan(options.pad_sheet, dictionary) if options.pad_sheet is not None else None,
        options.two_person,
    )
    say_to_terminal(CAUTION)
    path = asyncio.run(run_live(live, _settings(options), open_browser=not options.no_browser, say=say_to_terminal))
    say_to_terminal(str(path))
    return 0


def _twin(options: argparse.Namespace) -> int:
    keys = options.keys or default_folders()[1]
    dictionary = load_dictionary(options.dictionary)
    return run_twin(
        dictionary,
        keys,
        options.listen,
        options.link,
        options.truth,
        options.quit_when,
        _twin_options(options),
        say_to_terminal,
    )


def _twin_options(options: argparse.Namespace) -> TwinOptions:
    log = getattr(options, "onboard_log", None)
    return TwinOptions(options.scenario, options.seed, options.rate, options.ignite_after, options.encoder, log)


def _replay(options: argparse.Namespace) -> int:
    open_review(options.file)
    name, folder = base_name(options.file), options.file.resolve().parent
    asyncio.run(run_replay(_settings(options), name, folder, open_browser=not options.no_browser, say=say_to_terminal))
    return 0


def _summary(options: argparse.Namespace) -> int:
    progress = _progress()
    progress(f"reading {options.file.name}")
    review = open_review(options.file)
    summary = summarize(review) | planned(*sheets_of(review.session.header), final_figures(review))
    progress("")
    print(summary_json(summary) if options.json else summary_text(summary))
    return 0


def _recover(options: argparse.Namespace) -> int:
    dictionary = load_dictionary(options.dictionary).text if options.dictionary else None
    print("\n".join(recover(options.file, options.to, dictionary).sentences()))
    return 0


def _doctor(options: argparse.Namespace) -> int:
    sessions, keys = default_folders()
    findings = doctor.examine(options.sessions or sessions, options.keys or keys)
    for finding in findings:
        print(finding.line(), flush=True)
    return int(any(finding.state == doctor.PROBLEM for finding in findings))


def _ports(options: argparse.Namespace) -> int:
    found = found_ports()
    if not found:
        print("No serial port is plugged in.")
    for port in found:
        print(
            f"{port.device}  {port.description}  {port.serial_number or ''}".rstrip()
            + f"  {port.problem or 'can be opened'}"
        )
    return 0


def _progress() -> Callable[[str], None]:
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


if __name__ == "__main__":
    raise SystemExit(main())
