"""`blockhouse twin`: only the simulated vehicle, and the options of a simulated flight that `blockhouse demo` has too."""

from __future__ import annotations

import argparse
from pathlib import Path

from protocol.dictionary_file import load_dictionary
from server.cli.shared import number, say
from server.demo import TwinOptions, run_twin
from server.settings import default_folders
from server.twin.scenarios import scenario_names


def add_flight(parser: argparse.ArgumentParser) -> None:
    """Add which flight, and how fast."""
    parser.add_argument("--scenario", choices=scenario_names(), default="calm", help="what happens on the flight")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="same seed, same flight")
    parser.add_argument(
        "--rate", type=number(0.05, 200.0), default=1.0, metavar="X", help="so many times faster than real time"
    )
    parser.add_argument(
        "--ignite-after", type=number(0.0, 1e6), default=40.0, metavar="S", help="vehicle seconds until the motor is lit"
    )
    parser.add_argument(
        "--encoder",
        type=Path,
        metavar="PATH",
        help="compiled host/bh_host.c of 'blockhouse firmware' to speak for the vehicle",
    )


def flight_of(options: argparse.Namespace) -> TwinOptions:
    """Return the flight asked for."""
    log = getattr(options, "onboard_log", None)
    return TwinOptions(options.scenario, options.seed, options.rate, options.ignite_after, options.encoder, log)


def add_twin(parser: argparse.ArgumentParser) -> None:
    """Fill in `twin`."""
    parser.add_argument("--listen", required=True, metavar="URL", help="socket://127.0.0.1:PORT or pty")
    parser.add_argument("--link", type=Path, metavar="PATH", help="with pty: a symbolic link to the device")
    parser.add_argument("--truth", type=Path, metavar="FILE", help="after landing, write what really happened as JSON")
    parser.add_argument("--keys", type=Path, metavar="DIR", help="folder of the command key")
    parser.add_argument(
        "--dictionary", type=Path, metavar="FILE", help="one with a [framing] table flies the small sample vehicle"
    )
    parser.add_argument("--quit-when", choices=["landed"], help="end by itself")
    add_flight(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Fly until a signal, or until landed."""
    keys = options.keys or default_folders()[1]
    dictionary = load_dictionary(options.dictionary)
    flight = flight_of(options)
    return run_twin(dictionary, keys, options.listen, options.link, options.truth, options.quit_when, flight, say)
