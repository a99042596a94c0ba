"""`blockhouse ports`: what is plugged in and can be opened."""

from __future__ import annotations

import argparse

from server.bridge import ports


def add_ports(parser: argparse.ArgumentParser) -> None:
    """Fill in `ports`."""
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print one line for each port."""
    found = ports.found_ports()
    if not found:
        print("No serial port is plugged in.")
    for port in found:
        print(
            f"{port.device}  {port.description}  {port.serial_number or ''}".rstrip()
            + f"  {port.problem or 'can be opened'}"
        )
    return 0
