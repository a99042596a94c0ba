"""The parser of `blockhouse weigh`; each kind of weighing is imported when it is asked for."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

from server.cli.shared import number


def add_weigh(parser: argparse.ArgumentParser) -> None:
    """Fill in `weigh`."""
    kinds = parser.add_subparsers(required=True, metavar="KIND")
    _add_swing(kinds.add_parser("swing", help="inertia from a swing on two or three strings, by the vehicle's own gyro"))
    _add_scales(kinds.add_parser("scales", help="mass and center of gravity from two scales"))
    _add_thrust(kinds.add_parser("thrust", help="a static test's load cell as a thrust curve"))


def _runs(module: str) -> Callable[[argparse.Namespace], int]:
    def run(options: argparse.Namespace) -> int:
        told: int = import_module(f"server.cli.weighings.{module}").run(options)
        return told

    return run


def _add_vehicle(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="the vehicle's sheet, whose pieces it is held against")
    parser.add_argument(
        "--without", action="append", default=[], metavar="PIECE",
        help="a piece of the sheet that was taken out, as the motor's case; propellant always is; may be given again",
    )  # fmt: skip
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the sheet's lines to a new file")


def _add_swing(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Hang the vehicle level, without motor and charges, by two equal vertical strings as far before its center of "
        "gravity as behind it, turn it by 10 degrees about the vertical, let go, and leave it alone for a minute. For roll "
        "hang it upright."
    )
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument(
        "--port", metavar="URL", help="listen to the vehicle: device, socket://host:port, rfc2217://host:port"
    )
    source.add_argument("--session", type=Path, metavar="FILE", help="a recording of the swing")
    parser.add_argument("--dictionary", type=Path, metavar="FILE", help="the vehicle's dictionary (default: Sandpiper)")
    parser.add_argument("--baud", type=int, metavar="N", help="speed of the port (default: the dictionary's)")
    parser.add_argument("--seconds", type=number(1, 1800), default=90.0, metavar="S", help="how long to listen (default 90)")
    parser.add_argument(
        "--mass-kg", type=number(0.02, 200), required=True, metavar="M", help="what hangs, as a scale shows it"
    )
    parser.add_argument("--spacing-m", type=number(0.02, 10), required=True, metavar="D",
                        help="distance of the strings; on three strings the diameter of their circle")  # fmt: skip
    parser.add_argument("--length-m", type=number(0.1, 30), required=True, metavar="L", help="length of the strings")
    for what, sigma in (("mass-kg", 0.002), ("spacing-m", 0.001), ("length-m", 0.002)):
        name, unit = what.split("-")
        parser.add_argument(f"--{name}-sigma-{unit}", type=number(0, 1), default=sigma, metavar="S",
                            help=f"one standard deviation of it (default {sigma:g})")  # fmt: skip
    parser.add_argument("--axis", choices=["auto", "lateral", "roll"], default="auto", help="which axis must have swung")
    parser.add_argument("--unit", choices=["a", "b"], help="whose gyro (default: a, else b, else the navigation's rates)")
    parser.add_argument("--center-m", type=number(0, 20), metavar="X",
                        help="center of gravity as hung, from the nose tip (default: by the sheet's pieces)")  # fmt: skip
    _add_vehicle(parser)
    parser.set_defaults(run=_runs("swing"))


def _add_scales(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Lay the vehicle level, without motor and charges, over two scales, on an edge on each; several readings of a scale "
        "may be given. Stations of the edges from the nose tip."
    )
    for side in ("front", "rear"):
        parser.add_argument(f"--{side}-kg", type=number(0, 200), nargs="+", required=True, metavar="M",
                            help=f"what the {side} scale shows, empty it shows zero")  # fmt: skip
        parser.add_argument(f"--{side}-m", type=number(0, 20), required=True, metavar="X", help=f"where the {side} edge is")
    parser.add_argument("--scale-sigma-kg", type=number(0, 1), default=0.001, metavar="S",
                        help="one standard deviation of a scale (default 0.001)")  # fmt: skip
    parser.add_argument("--place-sigma-m", type=number(0, 0.1), default=0.001, metavar="S",
                        help="one standard deviation of an edge's place (default 0.001)")  # fmt: skip
    _add_vehicle(parser)
    parser.set_defaults(run=_runs("scales"))


def _add_thrust(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "A static test is fired from afar, shielded, with nobody near and somebody in charge; the range safety officer and "
        "local law decide whether at all. This reads what the load cell recorded."
    )
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--csv", type=Path, metavar="FILE", help='columns with units, as "time (ms), force (N)"')
    source.add_argument("--session", type=Path, metavar="FILE", help="a recording with the role thrust_stand.force")
    parser.add_argument("--out", type=Path, metavar="FILE", help="a sheet's lines (.toml), or a thrust_file (.csv)")
    parser.add_argument("--serial", metavar="TEXT", help="the load cell's serial; needed for a sheet's lines")
    parser.add_argument(
        "--date", metavar="DAY", help="of the test, as 2026-11-29 (default: the recording's, else the file's)"
    )
    parser.add_argument("--motor", default="static test", metavar="NAME", help="the motor's name in the sheet")
    parser.add_argument("--scale-percent", type=number(0, 20), default=0.5, metavar="P",
                        help="one standard deviation of the cell's scale (default 0.5)")  # fmt: skip
    parser.add_argument("--cutoff-hz", type=number(0.1, 10_000), metavar="F", help="of the filter for peak and curve")
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="a sheet whose declared curve it is held against")
    parser.set_defaults(run=_runs("thrust"))
