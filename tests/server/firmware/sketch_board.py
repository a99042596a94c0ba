"""A sketch folder built as a whole and run on a stand-in board in virtual time, here or on an emulated Cortex-M3."""

from __future__ import annotations

import subprocess
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from protocol.bound import build_bound_frame, build_safe_all_frame, make_boot_id
from protocol.dictionary import Dictionary

BOARD = Path(__file__).parent / "board"
KEY = bytes(range(32))
BOOT_ID = make_boot_id(KEY, 1, b"")
OCTET_NS = 10_000_000_000 // 57_600
STRICT = ["-Wall", "-Wextra", "-Werror"]
# The emulated board carries out one instruction in 2^5 ns, 31 million in a second: about what a Cortex-M0 does at 48 MHz.
SHIFT = 5
M3 = ["-mcpu=cortex-m3", "-mthumb", "-Os", "-ffunction-sections", "-fdata-sections", *STRICT]
M3_CXX = ["arm-none-eabi-g++", "-x", "c++", "-std=c++11", "-fno-exceptions", "-fno-rtti", "-fno-threadsafe-statics", *M3]
M3_LINK = ["--specs=rdimon.specs", "-Wl,--gc-sections", "-T", str(BOARD / "m3.ld")]
QEMU = ["qemu-system-arm", "-machine", "mps2-an385", "-nographic", "-monitor", "none", "-serial", "none"]


@dataclass(frozen=True)
class Ran:
    """What a run told: times of the loop, and every byte that was sent."""

    numbers: dict[str, int]
    sent: bytes

    @property
    def waited(self) -> float:
        """The share of time spent waiting in write."""
        return self.numbers["waited_ms"] / self.numbers["ran_ms"]


def commands(dictionary: Dictionary, until_ms: int) -> list[tuple[int, bytes]]:
    """Return (time in ms, frame) of an uplink as busy as it gets: every command, repeats of each, Safe all now and then."""
    out = []
    listed = sorted(dictionary.command_by_code.values(), key=lambda command: command.code)
    for counter, at_ms in enumerate(range(700, until_ms, 90), 1):
        if counter % 7 == 0:
            frame = build_safe_all_frame(KEY, dictionary.uplink.vehicle_id, counter)
        else:
            command = listed[counter % len(listed)]
            args = command.pack_args({arg.name: arg.low for arg in command.args})
            head = (BOOT_ID, dictionary.hash32, counter, at_ms + 5000, command.code)
            frame = build_bound_frame(KEY, dictionary.uplink.vehicle_id, *head, args)
        out += [(at_ms, frame), (at_ms + 40, frame)]
    return out


def write_board(folder: Path, frames: Iterable[tuple[int, bytes]]) -> None:
    """Write beside the sketch what its surroundings are: the key and the bytes that will come in, each with its time."""
    key = ", ".join(str(octet) for octet in KEY)
    (folder / "key.h").write_text(f"#include <stdint.h>\nstatic const uint8_t blockhouse_key[32] = {{{key}}};\n")
    lines, free_ns = [], 0
    for at_ms, frame in frames:
        for octet in frame:
            free_ns = max(free_ns, at_ms * 1_000_000) + OCTET_NS
            lines.append(f"    {{{free_ns}ull, {octet}}},")
    script = ['#include "board.h"', "const Incoming incoming[] = {", *lines, "    {0, 0},", "};"]
    script.append(f"const size_t incoming_count = {len(lines)};")
    (folder / "script.cpp").write_text("\n".join([*script, ""]))


def sources(folder: Path) -> list[str]:
    """Return what a sketch builder compiles: every .c of the folder, and the sketch behind the board's own header."""
    sketch = (folder / f"{folder.name}.ino").read_text()
    (folder / "sketch.cpp").write_text(f'#include "board.h"\nvoid setup();\nvoid loop();\n{sketch}')
    return sorted(path.name for path in folder.glob("*.c"))


def compile_here(compiler: str, folder: Path, run_ms: int, options: Iterable[str] = (), look_ns: int = 10_000) -> None:
    """Compile the whole folder by a C++ compiler into `sketch.program`; `look_ns` is what a look at the clock costs."""
    whole = [compiler, "-x", "c++", "-std=c++11", "-O1", *STRICT, f"-I{BOARD}", f"-DRUN_MS={run_ms}", f"-DLOOK_NS={look_ns}"]
    board = [str(BOARD / name) for name in ("board.cpp", "clock_here.cpp")]
    _run([*whole, *options, *sources(folder), "sketch.cpp", "script.cpp", *board, "-o", "sketch.program"], folder)


def compile_m3(folder: Path, run_ms: int, options: Iterable[str] = ()) -> None:
    """Compile and link the whole folder for the emulated board."""
    flags = [*M3_CXX, f"-I{BOARD}", f"-DRUN_MS={run_ms}", *options]
    board = [str(BOARD / name) for name in ("board.cpp", "clock_m3.cpp")]
    names = [*sources(folder), "sketch.cpp", "script.cpp", *board]
    _run([*flags, "-c", *names], folder)
    _run(["arm-none-eabi-gcc", *M3, "-c", str(BOARD / "start_m3.c")], folder)
    objects = [Path(name).with_suffix(".o").name for name in [*names, "start_m3.c"]]
    _run(["arm-none-eabi-gcc", *M3, *M3_LINK, *objects, "-o", "sketch.elf"], folder)


def run_here(folder: Path) -> Ran:
    """Run `sketch.program`."""
    return _told(_run(["./sketch.program"], folder), folder)


def run_m3(folder: Path) -> Ran:
    """Run `sketch.elf` on the emulated board; its clock follows the instructions carried out."""
    semihosting = ["-semihosting-config", "enable=on,target=native"]
    return _told(_run([*QEMU, *semihosting, "-icount", f"shift={SHIFT}", "-kernel", "sketch.elf"], folder), folder)


def _run(command: list[str], folder: Path) -> str:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=300, stdin=subprocess.DEVNULL)
    assert done.returncode == 0, f"{command[0]}: {done.stderr}{done.stdout}"
    return done.stdout


def _told(said: str, folder: Path) -> Ran:
    numbers = {name: int(value) for name, value in (line.split() for line in said.splitlines())}
    return Ran(numbers, (folder / "sent.bin").read_bytes())
