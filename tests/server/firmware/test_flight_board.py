"""The example flight computer on an emulated Cortex-M4: it flies as the program on this computer does."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

from server.firmware.flight_source import FLIGHT_FOLDER, board_command
from tests.server.firmware.flight_board import BoardComputer
from tests.server.firmware.flight_build import board_image, flight_folder, host_program, run_in
from tests.server.firmware.flight_play import HostComputer, recorded_flight

STEPS = 1700  # past the deployment


def test_the_board_flies_as_the_computer_does(tmp_path: Path) -> None:
    flight = recorded_flight()
    cycles = flight.cycles[:STEPS]
    with HostComputer(host_program(), tmp_path) as computer:
        here = computer.play(cycles, computer.enter())
    with BoardComputer(board_image(), tmp_path) as board:
        there = board.play(cycles, board.enter())
    assert there.phases() == here.phases() and [phase for _, phase in there.phases()][-1] == "descent"
    assert there.ordered_s() == here.ordered_s() and there.ordered_s() is not None
    # The same floats but for the libraries' powers, sines and tangents.
    off = np.abs(there.states() - here.states()).max(0)
    print(f"board against this computer, at most: position {off[:3]} m, velocity {off[3:6]} m/s, attitude {off[6:10]}")
    assert off[:3].max() < 0.05 and off[3:6].max() < 0.02 and off[6:].max() < 1e-3


def test_the_board_counts_its_starts(tmp_path: Path) -> None:
    boots = set()
    for _ in range(2):
        with BoardComputer(board_image(), tmp_path) as board:
            board.wait("identity")
            boots.add(board.link.boot_id)
    assert len(boots) == 2 and 0 not in boots and (tmp_path / "fc.starts").read_text() == "00000002"


def test_an_access_at_an_odd_place_stops_the_board(tmp_path: Path) -> None:
    """The trap is on: what a stricter processor would not do is found here."""
    folder = tmp_path / "firmware"
    shutil.copytree(flight_folder(), folder)
    port = folder / FLIGHT_FOLDER / "fc_board_qemu.c"
    text = port.read_text()
    old = "    return 0; /* nothing can be connected */\n"
    assert old in text
    odd = (
        '    uint32_t word;\n    __asm__ volatile("ldr %0, [%1]" : "=r"(word) : "r"(0x20000101u));\n    return word & 0u;\n'
    )
    port.write_text(text.replace(old, odd))
    run_in(folder, board_command("odd.elf"))
    with BoardComputer(folder / "odd.elf", tmp_path) as board:
        assert "fault: an access at a place it may not be" in board.ended()
