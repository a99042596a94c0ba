"""`blockhouse live`: station and page on a real radio."""

from __future__ import annotations

import argparse
import asyncio
from pathlib import Path

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from server.app import run_live
from server.bridge.ports import is_url_understood
from server.cli.serving import add_serving, say_last, settings_of
from server.cli.shared import ALLOW_UNBOUND, CAUTION, say, whole_number
from server.design.sheet_files import load_sheets
from server.live.start import Live
from server.pad.plan import load_pad_plan
from server.problems import SettingsProblem
from server.workbench.dictionary_lint import modem_remarks, role_remarks

BAUD_LOW, BAUD_HIGH = 50, 4_000_000


def add_live(parser: argparse.ArgumentParser) -> None:
    """Fill in `live`."""
    parser.add_argument("--port", required=True, metavar="URL", help="device, socket://host:port or rfc2217://host:port")
    parser.add_argument(
        "--baud", type=whole_number(BAUD_LOW, BAUD_HIGH), metavar="N", help="speed of the port (default: the dictionary's)"
    )
    parser.add_argument("--dictionary", type=Path, metavar="FILE", help="the vehicle's dictionary (default: Sandpiper)")
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="vehicle and site sheet")
    parser.add_argument("--pad-sheet", type=Path, metavar="FILE", help="list to go through on the pad, with what to tick")
    parser.add_argument("--two-person", action="store_true", help="hazardous commands are confirmed by a second person")
    parser.add_argument(
        "--allow-unbound",
        action="store_true",
        help=ALLOW_UNBOUND,
    )
    add_serving(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Run the station until a signal; print the session file last."""
    dictionary = load_dictionary(options.dictionary)
    problem = is_url_understood(options.port)
    if problem:
        raise SettingsProblem(problem)
    if options.allow_unbound and dictionary.is_bound:
        raise SettingsProblem(f"Commands to {dictionary.vehicle} are bound: there is nothing for --allow-unbound to allow.")
    live = Live(
        dictionary,
        load_sheets(options.sheet, False),
        options.port,
        options.baud or _baud(dictionary),
        "live",
        options.port,
        load_pad_plan(options.pad_sheet, dictionary) if options.pad_sheet is not None else None,
        allow_unbound=options.allow_unbound,
        two_person=options.two_person,
    )
    say(CAUTION)
    for remark in modem_remarks(dictionary):
        say(f"Caution: the packets are {remark}.")
    for remark in role_remarks(dictionary):
        say(f"Caution: {remark}.")
    path = asyncio.run(run_live(live, settings_of(options), open_browser=not options.no_browser, say=say))
    say_last(str(path))
    return 0


def _baud(dictionary: Dictionary) -> int:
    baud = dictionary.modem_baud
    if not BAUD_LOW <= baud <= BAUD_HIGH:
        limits = f"({BAUD_LOW} to {BAUD_HIGH})"
        raise SettingsProblem(
            f"The dictionary's modem_baud of {baud} is no speed of a port {limits}; give another with --baud."
        )
    return baud
