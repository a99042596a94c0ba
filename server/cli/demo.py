"""`blockhouse demo`: simulated vehicle, station and page in one process."""

from __future__ import annotations

import argparse
import asyncio
from pathlib import Path

from protocol.dictionary_file import load_dictionary
from server.app import run_live
from server.cli.serving import add_serving, say_last, settings_of
from server.cli.shared import CAUTION, say
from server.cli.twin import add_flight, flight_of
from server.demo import Demo
from server.design.sheet_files import load_sheets
from server.live.start import Live
from server.pad.plan import load_pad_plan


def add_demo(parser: argparse.ArgumentParser) -> None:
    """Fill in `demo`."""
    add_flight(parser)
    add_serving(parser)
    parser.add_argument("--quit-when", choices=["landed"], help="end by itself")
    parser.add_argument(
        "--pad-sheet", type=Path, metavar="FILE", help="list to go through on the pad (default: Sandpiper's)"
    )
    parser.add_argument(
        "--onboard-log", type=Path, metavar="FILE", help="at the end, write what the vehicle logged on board"
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Fly until a signal, or until landed; print the session file last."""
    dictionary = load_dictionary(None)
    settings = settings_of(options)
    demo = Demo(dictionary, settings.keys, flight_of(options))
    demo.start()
    try:
        pad_sheet = load_pad_plan(options.pad_sheet, dictionary)
        sheets = load_sheets(None, True)
        source = f"demo {options.scenario}"
        told = {"ignites_t": options.ignite_after, "rate": options.rate}
        live = Live(dictionary, sheets, demo.url, dictionary.modem_baud, "demo", source, pad_sheet, **told)
        say(f"Simulated flight '{options.scenario}', seed {options.seed}. {CAUTION}")
        lands = options.quit_when == "landed"

        def until() -> bool:
            return demo.stopped() or (lands and demo.over())

        path = asyncio.run(run_live(live, settings, open_browser=not options.no_browser, say=say, until=until))
    finally:
        demo.stop()
    say_last(str(path))
    demo.look()  # after the path: what was recorded until then is kept
    return 0
