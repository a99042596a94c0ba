"""The example flight computer (`flight/`): written beside the generated link, with the commands that compile and run it.

It is the Sandpiper's: its packets, commands and stimuli are named in its C. The commands are to be run in the folder that
the link was written to. Built for rehearsal it may be flown on the bench; built without, no code of that is in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from pathlib import Path

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from server.firmware.layout import FirmwareProblem
from server.firmware.names import LIBRARY

FLIGHT_FOLDER = "flight"
FAULTS = 9  # mistakes that can be built in: FC_FAULT=1..9
PARTS = ("main", "navigation", "phases", "control", "side_motors", "deployment", "commands", "packets")
LINK_SOURCES = (*(name for name in LIBRARY if name.endswith(".c")), "bh_dictionary.c")
BOARD_COMPILER, EMULATOR, MACHINE = "arm-none-eabi-gcc", "qemu-system-arm", "mps2-an386"
HOST_PROGRAM, BOARD_IMAGE = "fc_host", "fc_board.elf"
BOARD_FLAGS = (
    "-mcpu=cortex-m4", "-mthumb", "-mfloat-abi=hard", "-mfpu=fpv4-sp-d16", "-mno-unaligned-access",
    "-ffunction-sections", "-fdata-sections",
)  # fmt: skip
BOARD_LINK = ("-nostartfiles", "--specs=nano.specs", "--specs=nosys.specs", "-Wl,--gc-sections,-Tflight/fc_board_qemu.ld")


def write_flight(dictionary: Dictionary, folder: Path) -> list[Path]:
    """Write the example into `folder`/flight, beside the link that is there; return the files written.

    Raises OSError, and FirmwareProblem for a dictionary other than the Sandpiper's, whose names the example uses.
    """
    if dictionary.hash32 != load_dictionary(None).hash32:
        raise FirmwareProblem(f"The example flight computer is the Sandpiper's; it knows no packets of {dictionary.name}.")
    target = folder / FLIGHT_FOLDER
    target.mkdir(parents=True, exist_ok=True)
    paths = []
    for source in sorted(resources.files("server.firmware").joinpath(FLIGHT_FOLDER).iterdir(), key=lambda item: item.name):
        path = target / source.name
        path.write_text(source.read_text("utf-8"), "utf-8", newline="\n")
        paths.append(path)
    return paths


def _sources(port: str) -> list[str]:
    return [*(f"{FLIGHT_FOLDER}/fc_{part}.c" for part in (*PARTS, port)), *LINK_SOURCES]


def _defines(fault: int, rehearsal: bool, side_motors: bool) -> list[str]:
    return ["-DBH_REHEARSAL"] * rehearsal + [f"-DFC_FAULT={fault}"] * (fault != 0) + ["-DFC_SIDE_MOTORS"] * side_motors


def host_command(
    output: str = HOST_PROGRAM,
    *,
    fault: int = 0,
    rehearsal: bool = True,
    side_motors: bool = False,
    compiler: Sequence[str] = ("gcc", "-std=c99", "-O2"),
) -> list[str]:
    """Return the command that compiles the program behind a pipe; `fault` 1..9 builds a mistake in, 0 none.

    `side_motors` builds in the second control mode, in which it fires lateral motors by itself.
    """
    return [*compiler, *_defines(fault, rehearsal, side_motors), "-o", output, *_sources("host"), "-lm"]


def board_command(
    output: str = BOARD_IMAGE,
    *,
    fault: int = 0,
    rehearsal: bool = True,
    side_motors: bool = False,
    compiler: Sequence[str] = (BOARD_COMPILER, "-std=c99", "-O2"),
) -> list[str]:
    """Return the command that compiles the image for the emulated Cortex-M4 board; the rest as `host_command`."""
    sizes = ["-DBH_RING_SIZE=1024", "-DFC_OUT_SIZE=2048"]
    flags = [*BOARD_FLAGS, *BOARD_LINK, *sizes, *_defines(fault, rehearsal, side_motors)]
    return [*compiler, *flags, "-o", output, *_sources("board_qemu"), "-lm"]


def emulator_command(image: Path, serial: str, more: Sequence[str] = ()) -> list[str]:
    """Return the command that runs an image; `serial` is where the wired link goes, as the emulator names it.

    The folder it is run in holds `fc.key`, the command key in hexadecimal, and `fc.starts`, made when missing.
    """
    quiet = ["-display", "none", "-monitor", "none"]
    calls = ["-semihosting-config", "enable=on,target=native"]
    return [EMULATOR, "-M", MACHINE, *quiet, "-serial", serial, *calls, *more, "-kernel", str(image)]
