"""The example flight computer compiled for tests: once per kind of build."""

from __future__ import annotations

import atexit
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from server.firmware.flight_source import board_command, host_command, write_flight
from server.firmware.generator import write_firmware
from tests.protocol.helpers import SANDPIPER


@cache
def flight_folder() -> Path:
    """Write link and example; return the folder."""
    folder = Path(tempfile.mkdtemp(prefix="flight-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    write_firmware(SANDPIPER, folder)
    write_flight(SANDPIPER, folder)
    return folder


def run_in(folder: Path, command: Sequence[str]) -> None:
    """Run a compiler; fails with what it said."""
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, f"{' '.join(command)}\n{done.stderr}"


@cache
def host_program(fault: int = 0, rehearsal: bool = True, side_motors: bool = False) -> Path:
    """Return the program behind a pipe."""
    name = f"fc_host_{fault}_{int(rehearsal)}_{int(side_motors)}"
    run_in(flight_folder(), host_command(name, fault=fault, rehearsal=rehearsal, side_motors=side_motors))
    return flight_folder() / name


@cache
def board_image(fault: int = 0) -> Path:
    """Return the image for the emulated board."""
    name = f"fc_board_{fault}.elf"
    run_in(flight_folder(), board_command(name, fault=fault))
    return flight_folder() / name
