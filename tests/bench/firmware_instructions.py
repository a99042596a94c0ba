"""What each call of the link costs in instructions: `python -m tests.bench.firmware_instructions`.

Built with -Os by the system's Arm cross compiler for Cortex-M0 (run on an emulated M3, which executes the same
instructions), Cortex-M4 with its single-precision unit and Cortex-M7 with its double one, and run in qemu-system-arm with
`-icount shift=0`, where the virtual clock goes on by one nanosecond an instruction and SysTick counts it in steps of forty;
each call is repeated so that a step is no more than an instruction a call. No real board, no wait states of a flash memory.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from protocol.bound import build_bound_frame
from server.firmware.generator import write_firmware
from tests.protocol.helpers import KEY, SANDPIPER
from tests.server.firmware.wire2 import on_wire_2

COMPILER, EMULATOR = "arm-none-eabi-gcc", "qemu-system-arm"
LIBRARY = ("bh_wire.c", "bh_fields.c", "bh_link.c", "bh_dictionary.c")
BOARDS = {
    "M0": (["-mcpu=cortex-m0"], "mps2-an385"),
    "M4F": (["-mcpu=cortex-m4", "-mfloat-abi=hard", "-mfpu=fpv4-sp-d16"], "mps2-an386"),
    "M7": (["-mcpu=cortex-m7", "-mfloat-abi=hard", "-mfpu=fpv5-d16"], "mps2-an500"),
}
SCRIPT = """
MEMORY { CODE (rx) : ORIGIN = 0, LENGTH = 4M  RAM (rwx) : ORIGIN = 0x20000000, LENGTH = 4M }
SECTIONS {
  .text : { KEEP(*(.vectors)) *(.text*) *(.rodata*) *(.ARM.ex*) . = ALIGN(8); } > CODE
  .data : { data_begin = .; *(.data*) . = ALIGN(4); data_end = .; } > RAM AT> CODE
  data_from = LOADADDR(.data);
  .bss (NOLOAD) : { bss_begin = .; *(.bss*) *(COMMON) . = ALIGN(8); bss_end = .; end = .; } > RAM
}
"""
PROGRAM = """
#include "blockhouse.h"
#include <string.h>
extern uint32_t data_begin, data_end, data_from, bss_begin, bss_end;
void begin(void);
__attribute__((section(".vectors"), used)) static const void *const vectors[] = {(void *)0x20100000, (void *)begin};
#define REG(at) (*(volatile uint32_t *)(at))
static void call(int what, const void *with)
{
    register int r0 __asm__("r0") = what;
    register const void *r1 __asm__("r1") = with;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}
static uint32_t now(void) { return 0xFFFFFFu - REG(0xE000E018); }
static void tell(const char *name, uint32_t from, uint32_t calls, uint32_t empty)
{
    char line[64];
    uint32_t each = ((now() - from) & 0xFFFFFFu) * 40u / calls;
    char digits[12];
    size_t at = strlen(name), n = 0;
    each = each > empty ? each - empty : 0;
    memcpy(line, name, at);
    line[at++] = ' ';
    do { digits[n++] = (char)('0' + each % 10u); each /= 10u; } while (each > 0u);
    while (n > 0u) { line[at++] = digits[--n]; }
    line[at++] = 10;
    line[at] = 0;
    call(4, line);
}
static const uint8_t key[BH_KEY_SIZE] = {KEY};
static const uint8_t command_frame[] = {FRAME};
static bh_vehicle vehicle;
static bh_link radio;
static uint8_t frame[BH_FRAME_MAX];
static uint8_t saved[sizeof vehicle + sizeof radio];
static void starts(void) { bh_begin(&vehicle, key, BH_VEHICLE_ID, BOOTu, 0, NULL, NULL); bh_begin_link(&radio, &vehicle); }
#define ENCODE(name, text) from = now(); for (i = 0; i < 100u; i++) { bh_encode_##name(&radio, i, &any.name, frame); } \\
    tell(text, from, 100u, 0)
void begin(void)
{
    static bh_any_packet any;
    bh_command command;
    uint32_t i, k, from, size = 0;
    memcpy(&data_begin, &data_from, (size_t)((char *)&data_end - (char *)&data_begin));
    memset(&bss_begin, 0, (size_t)((char *)&bss_end - (char *)&bss_begin));
    REG(0xE000ED88) |= 0xF00000u; /* the floating point unit, where there is one */
    REG(0xE000E014) = 0xFFFFFFu;
    REG(0xE000E018) = 0;
    REG(0xE000E010) = 5;
    starts();
    any.imu_a.accel_x = 1.25; any.imu_a.accel_y = -3.5; any.imu_a.accel_z = 9.81;
    ENCODE(imu_a, "bh_encode, imu_a: 7 scaled values");
    ENCODE(navigation, "bh_encode, navigation: 13 floats");
    from = now();
    for (i = 0; i < 100u; i++) { size += bh_identity_frame(&radio, i, frame); }
    tell("bh_identity_frame", from, 100u, 0);
    from = now();
    for (i = 0; i < 100u; i++) {
        starts();
        for (k = 0; k + 1u < sizeof command_frame; k++) { (void)bh_receive(&radio, command_frame[k], 1000, &command); }
    }
    tell("bh_receive, a byte but the last", from, 100u * (uint32_t)(sizeof command_frame - 1u), 0);
    memcpy(saved, &vehicle, sizeof vehicle);
    memcpy(saved + sizeof vehicle, &radio, sizeof radio);
    from = now();
    for (i = 0; i < 100u; i++) {
        memcpy(&vehicle, saved, sizeof vehicle);
        memcpy(&radio, saved + sizeof vehicle, sizeof radio);
        if (bh_receive(&radio, command_frame[k], 1000, &command) != BH_ORDER) { call(4, "no order\\n"); }
    }
    tell("bh_receive, last byte of a command", from, 100u, 0);
    from = now();
    for (i = 0; i < 100u; i++) { bh_answer(&radio, i, &command, BH_STAGE_ACCEPTED, BH_REASON_NONE, frame); }
    tell("bh_answer", from, 100u, 0);
    call(0x18, (void *)0x20026);
    for (;;) { }
}
"""
BOOT = 5


def count(folder: Path, flags: list[str], machine: str) -> dict[str, int]:
    """Build for one processor in `folder`, run, and return the instructions of each call."""
    dictionary = on_wire_2(SANDPIPER.text, "sandpiper.toml")
    write_firmware(dictionary, folder)
    command = dictionary.commands["camera_power"]
    args = command.pack_args({"camera": 2, "on": 1})
    address = (KEY, dictionary.uplink.vehicle_id, BOOT, dictionary.hash32)
    frame = build_bound_frame(*address, 9, 5000, command.code, args)
    program = PROGRAM.replace("KEY}", ", ".join(map(str, KEY)) + "}").replace("FRAME}", ", ".join(map(str, frame)) + "}")
    (folder / "count.c").write_text(program.replace("BOOTu", f"{BOOT}u"))
    (folder / "board.ld").write_text(SCRIPT)
    build = [COMPILER, *flags, "-mthumb", "-std=gnu99", "-Os", "-ffunction-sections", "-fdata-sections", "-nostartfiles"]
    link = ["--specs=nano.specs", "--specs=nosys.specs", "-Wl,--gc-sections,-Tboard.ld,-ebegin", "-o", "count.elf"]
    subprocess.run([*build, *link, "count.c", *LIBRARY], cwd=folder, check=True, capture_output=True)
    run = [EMULATOR, "-M", machine, "-nographic", "-monitor", "none", "-serial", "none", "-semihosting-config",
           "enable=on,target=native", "-icount", "shift=0", "-kernel", "count.elf"]  # fmt: skip
    done = subprocess.run(run, cwd=folder, capture_output=True, text=True, timeout=120)
    lines = [line.rpartition(" ") for line in (done.stdout + done.stderr).splitlines()]
    return {name: int(number) for name, _, number in lines if number.isdigit()}


def main() -> int:
    """Count on each processor and print a table."""
    if shutil.which(COMPILER) is None or shutil.which(EMULATOR) is None:
        print(
            f"instructions: no {COMPILER} or {EMULATOR} here (packages gcc-arm-none-eabi, qemu-system-arm), nothing counted"
        )
        return 0
    found: dict[str, dict[str, int]] = {}
    for name, (flags, machine) in BOARDS.items():
        with tempfile.TemporaryDirectory() as folder:
            found[name] = count(Path(folder) / "firmware", flags, machine)
    print("instructions of each call, -Os, counted in qemu-system-arm".ljust(60) + "".join(f"{name:>9}" for name in BOARDS))
    for call in next(iter(found.values())):
        print(f"  {call:58}" + "".join(f"{numbers.get(call, 0):9}" for numbers in found.values()))
    return 0 if all(len(numbers) == 6 for numbers in found.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
