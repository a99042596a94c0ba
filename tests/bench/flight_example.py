"""How fast the example flight computer answers: `python -m tests.bench.flight_example`.

Its program behind a pipe and its image on an emulated board (mps2-an386 of qemu-system-arm, the serial port as a local
socket) are played one flight of the twin, each step answered before the next goes; frames are made before the clock runs.
Then the emulated board with `-icount shift=5`, where its clock goes on by 32 nanoseconds an instruction, so that the
greatest time of a cycle that it tells counts instructions, to 31; of a whole step with what was received since
the loop's last turn, and the identity packet where it is due. No real board, no wait states.
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from protocol.stimulus import StimulusEncoder
from server.firmware.flight_source import BOARD_COMPILER, EMULATOR, FLIGHT_FOLDER, board_command
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_board import BoardComputer
from tests.server.firmware.flight_build import board_image, flight_folder, host_program, run_in
from tests.server.firmware.flight_play import CYCLE_US, Computer, HostComputer, Sensed, recorded_flight

BOARD_STEPS, COUNTED_STEPS = 1500, 600
NS_AN_INSTRUCTION = 32
FROM = "uint32_t from_us = fc_port_us();"
TOLD = "if (c->rehearses && c->played_us > 0u) { bh_cycle_took(&c->vehicle, fc_port_us() - from_us); }"


def timed(computer: Computer, cycles: Sequence[Sensed]) -> list[float]:
    """Play the cycles; return the seconds from each step's first byte out to its last byte in."""
    session = computer.enter()
    encoder = StimulusEncoder(SANDPIPER, SANDPIPER.uplink.vehicle_id, session)
    frames = []
    for step, cycle in enumerate(cycles, 1):
        fix = encoder.frame("fix", step * CYCLE_US, cycle.fix) if cycle.fix is not None else b""
        frames.append(fix + encoder.frame("sensors", step * CYCLE_US, cycle.sensors))
    took, heard = [], []
    for frame in frames:
        begin = time.perf_counter()
        computer.write(frame)
        heard.append(computer.answer())  # one that tells of a change of state only makes two steps overlap
        took.append(time.perf_counter() - begin)
    computer.take(b"".join(heard))
    while computer.packets["rehearsal"]["number"] != encoder.number:
        computer.take(computer.answer())
    return took


def whole_step_image() -> Path:
    """Compile the board's image so that it tells how long a turn of its loop takes in which a step is answered."""
    folder = flight_folder()
    source = folder / FLIGHT_FOLDER / "fc_main.c"
    text = source.read_text()
    changed = text.replace("    c->bench_ms = fc_port_ms();\n", f"    {FROM}\n    c->bench_ms = fc_port_ms();\n", 1)
    changed = changed.replace("    fc_flush(c);\n}", f"    {TOLD}\n    fc_flush(c);\n}}", 1)
    assert changed.count(FROM) == changed.count(TOLD) == 1
    source.write_text(changed)
    try:
        run_in(folder, board_command("whole.elf"))
    finally:
        source.write_text(text)
    return folder / "whole.elf"


def report(name: str, computer: Computer, took: list[float]) -> None:
    """Print one line."""
    each = statistics.median(took) * 1e6
    told = computer.packets["rehearsal"]["cycle_us"]
    print(f"  {name:34} {len(took) / sum(took):8.0f} steps/s, median {each:6.0f} us, longest cycle it told {told:.0f} us")


def main() -> int:
    """Measure and print."""
    cycles = recorded_flight().cycles
    print("steps of a rehearsal through the wired link, one at a time")
    with tempfile.TemporaryDirectory() as folder, HostComputer(host_program(), Path(folder)) as host:
        report("this computer, a pipe", host, timed(host, cycles))
    if shutil.which(BOARD_COMPILER) is None or shutil.which(EMULATOR) is None:
        print(f"  no {BOARD_COMPILER} or {EMULATOR} here: no board")
        return 0
    with tempfile.TemporaryDirectory() as folder, BoardComputer(board_image(), Path(folder)) as board:
        report("emulated Cortex-M4F, local socket", board, timed(board, cycles[:BOARD_STEPS]))
    images = {"a control cycle": board_image(), "a whole step, receiving and answering too": whole_step_image()}
    for what, image in images.items():
        with tempfile.TemporaryDirectory() as folder, BoardComputer(image, Path(folder), counted=True) as board:
            timed(board, cycles[:COUNTED_STEPS])
            told_us = float(board.packets["rehearsal"]["cycle_us"])
            print(f"  instructions of {what}, at most: {told_us * 1000 / NS_AN_INSTRUCTION:.0f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
