"""`blockhouse ports`: what is plugged in and can be opened."""

from __future__ import annotations

import argparse

from server.bridge import ports
from server.cli.paper import LOOK, QUIET, Block, Table, Words, show


def add_ports(parser: argparse.ArgumentParser) -> None:
    """Fill in `ports`."""
    parser.add_argument("--all", action="store_true", help="also built-in ports that name no hardware")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print one line for each port."""
    show(port_blocks(ports.found_ports(), options.all))
    return 0


def port_blocks(found: list[ports.FoundPort], everything: bool) -> list[Block]:
    """Return what is printed of ports; the nameless ones only where everything is asked for."""
    offered = [port for port in found if everything or not port.is_nameless]
    rows = [
        (port.device, _about(port), port.serial_number or "", port.problem or "can be opened") for port in offered
    ]  # fmt: skip
    blocks: list[Block] = [Table(rows, styles={place: LOOK for place, port in enumerate(offered) if port.problem})]
    if not offered:
        blocks = [Words("No serial port is plugged in.")]
    hidden = len(found) - len(offered)
    if hidden:
        what = "1 built-in port names" if hidden == 1 else f"{hidden} built-in ports name"
        blocks.append(Words(f"{what} no hardware; see blockhouse ports --all.", QUIET))
    return blocks


def _about(port: ports.FoundPort) -> str:
    return port.description or ("built in, names no hardware" if port.is_nameless else "")
