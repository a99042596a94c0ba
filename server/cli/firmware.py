"""`blockhouse firmware`: write the flight computer's half of the link as C."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

from protocol.dictionary_file import load_dictionary
from server.firmware.flight_source import board_command, host_command, write_flight
from server.firmware.generator import sketch_path, write_firmware


def add_firmware(parser: argparse.ArgumentParser) -> None:
    """Fill in `firmware`."""
    parser.description = "Writes a C99 library for one dictionary: no heap, no dependencies, also for C++ and small boards."
    parser.add_argument("--dictionary", type=Path, metavar="FILE", help="the vehicle's dictionary (default: Sandpiper)")
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder to write to; the sketch is called like it"
    )
    parser.add_argument(
        "--float-members", action="store_true", help="scaled values are floats in the structs, for a board without doubles"
    )
    parser.add_argument(
        "--flight-example", action="store_true", help="also the Sandpiper's example flight computer, which can be rehearsed"
    )
    parser.set_defaults(run=write)


def write(options: argparse.Namespace) -> int:
    """Write the files and print their names; existing ones of the same name are replaced, but for the sketch."""
    dictionary = load_dictionary(options.dictionary)
    sketch = sketch_path(options.out)
    flight = write_flight(dictionary, options.out) if options.flight_example else []
    written = [*write_firmware(dictionary, options.out, options.float_members), *flight]
    for path in written:
        print(path)
    if sketch not in written:
        print(f"{sketch} is there already and stays as it is")
    if options.flight_example:
        print(f"compiled for rehearsal, in {options.out}:")
        print(f"  for this computer: {shlex.join(host_command())}")
        print(f"  for an emulated board: {shlex.join(board_command())}")
    print(f"dictionary hash 0x{dictionary.hash32:08X}")
    return 0
