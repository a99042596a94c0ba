"""The size of the whole link on a small board: `python -m tests.bench.firmware_size`.

Builds the Sandpiper's firmware for a Cortex-M4 with the system's Arm cross compiler and prints text, data and bss of the
library alone, and of a linked program that uses all of it (every encoder, receiver, answers) beside the same program
without the link, so that what the compiler's own arithmetic costs is counted too. Says so and ends with 0 where the cross
compiler is missing; ends with 1 when a target is missed.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from protocol.dictionary import Dictionary
from server.firmware.generator import write_firmware
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.wire2 import on_wire_2

COMPILER = "arm-none-eabi-gcc"
BOARD = ["-mcpu=cortex-m4", "-mthumb", "-mfloat-abi=hard", "-mfpu=fpv4-sp-d16"]
FLAGS = [*BOARD, "-std=c99", "-Os", "-ffunction-sections", "-fdata-sections", "-Wall", "-Wextra", "-Wpedantic", "-Werror"]
LINK = ["-nostartfiles", "--specs=nosys.specs", "-Wl,--gc-sections", "-Wl,-e,main"]
LIBRARY = ("bh_wire.c", "bh_fields.c", "bh_link.c", "bh_dictionary.c")
STARTS = "bh_starts.c"  # for a board that counts its starts in flash; a linker leaves it out of others
TEXT_MAX, RAM_MAX = 6 * 1024, 1024
STACK_FLAG = "-fstack-usage"


def user_program(dictionary: Dictionary) -> str:
    """Return a program that uses the whole link; without -DWITH_LINK it is empty."""
    sends = "\n".join(
        f"    send(bh_encode_{name}(&radio, clock_ms, &values.{name}, frame));"
        for name in sorted(dictionary.packets)
        if name not in dictionary.wires_own
    )
    return f"""
#ifdef WITH_LINK
#include "blockhouse.h"
#include "bh_starts.h"
extern volatile uint8_t port;
volatile uint8_t port;
static const uint8_t key[BH_KEY_SIZE] = {{1}};
static bh_vehicle vehicle;
static bh_link radio;
static uint8_t frame[BH_FRAME_MAX];
static bool reads(void *user, uint32_t at, uint8_t *data, uint32_t size)
{{ (void)user; while (size-- > 0u) {{ data[size] = (uint8_t)(port + at); }} return port != 0u; }}
static bool programs(void *user, uint32_t at, const uint8_t *data, uint32_t size)
{{ (void)user; while (size-- > 0u) {{ port = (uint8_t)(data[size] + at); }} return port != 0u; }}
static bool erases(void *user, uint32_t at) {{ (void)user; port = (uint8_t)at; return port != 0u; }}
static bh_flash flash = {{reads, programs, erases, NULL, 2048}};
static void send(size_t size) {{ size_t i; for (i = 0; i < size; i++) {{ port = frame[i]; }} }}
int main(void)
{{
    bh_any_packet values = {{0}};
    bh_command command;
    uint32_t clock_ms = 0;
    size_t size;
    bh_begin(&vehicle, key, BH_VEHICLE_ID, bh_count_boot_id(key, bh_flash_count, &flash, NULL, 0), 0, NULL, NULL);
    bh_begin_link(&radio, &vehicle);
    for (;;) {{
        clock_ms++;
{sends}
        send(bh_identity_frame(&radio, clock_ms, frame));
        switch (bh_receive(&radio, port, clock_ms, &command)) {{
        case BH_ORDER:
        case BH_SAFE_ALL:
            send(bh_answer(&radio, clock_ms, &command, BH_STAGE_ACCEPTED, BH_REASON_NONE, frame));
            break;
        case BH_ANSWERED:
            while ((size = bh_owed_answer(&radio, clock_ms, frame)) > 0u) {{ send(size); }}
            break;
        default:
            break;
        }}
    }}
}}
#else
int main(void) {{ for (;;) {{ }} }}
#endif
"""


def sizes(path: Path) -> tuple[int, int, int]:
    """Return (text, data, bss) of an object or program."""
    out = subprocess.run(["arm-none-eabi-size", str(path)], check=True, capture_output=True, text=True).stdout
    text, data, bss = out.splitlines()[1].split()[:3]
    return int(text), int(data), int(bss)


def build(folder: Path) -> dict[str, tuple[int, int, int]]:
    """Compile and link in `folder`; return the sizes by name. Raises CalledProcessError."""
    dictionary = on_wire_2(SANDPIPER.text, "sandpiper.toml")
    write_firmware(dictionary, folder)
    (folder / "user.c").write_text(user_program(dictionary))
    found = {}
    for source in (*LIBRARY, STARTS):
        subprocess.run([COMPILER, *FLAGS, "-Wconversion", "-Wshadow", STACK_FLAG, "-c", source], cwd=folder, check=True)
        found[source] = sizes(folder / source.replace(".c", ".o"))
    for name, more in (("with the link", ["-DWITH_LINK"]), ("without it", [])):
        output = folder / "program.elf"
        subprocess.run(
            [COMPILER, *FLAGS, *LINK, *more, "-o", str(output), "user.c", *LIBRARY, STARTS], cwd=folder, check=True
        )
        found[name] = sizes(output)
    return found


def deepest_frame(folder: Path) -> int:
    """Return the largest stack frame of a single function of the library, bytes."""
    lines = [line for path in folder.glob("bh_*.su") for line in path.read_text().splitlines()]
    return max(int(line.split("\t")[1]) for line in lines)


def main() -> int:
    """Build, print, compare with the targets."""
    if shutil.which(COMPILER) is None:
        print(f"firmware size: no {COMPILER} here (package gcc-arm-none-eabi), nothing measured")
        return 0
    with tempfile.TemporaryDirectory() as name:
        found = build(Path(name))
        stack = deepest_frame(Path(name))
    print("Cortex-M4, -Os, Sandpiper dictionary      text   data    bss")
    for what, (text, data, bss) in found.items():
        print(f"  {what:38} {text:6} {data:6} {bss:6}")
    own = [sum(found[source][i] for source in LIBRARY) for i in range(3)]
    whole = [found["with the link"][i] - found["without it"][i] for i in range(3)]
    print(f"  {'library alone':38} {own[0]:6} {own[1]:6} {own[2]:6}")
    print(f"  {'linked, with the arithmetic it needs':38} {whole[0]:6} {whole[1]:6} {whole[2]:6}")
    print(f"  largest stack frame of one function: {stack} bytes")
    fits = own[0] + own[1] <= TEXT_MAX and whole[1] + whole[2] <= RAM_MAX
    reached = "reached" if fits else "MISSED"
    print(f"targets: library at most {TEXT_MAX} bytes of text, link and frame at most {RAM_MAX} bytes of RAM: {reached}")
    return 0 if fits else 1


if __name__ == "__main__":
    sys.exit(main())
