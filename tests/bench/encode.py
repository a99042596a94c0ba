"""What encoding costs on board, and what a vehicle's format costs on the ground: `python -m tests.bench.encode`.

First the generated C encoder against a plain `memcpy` of the same struct, in one compiled program (gcc -O2), for every
packet of the Sandpiper: nanoseconds each and the ratio. The encoder converts, packs, adds header, time and CRC, and stuffs;
the copy does nothing, so the ratio says what the wire costs, not whether somebody else is faster.

Then the same packets in the three kinds of framing through the station's live path (decoder, analysis, in chunks as a
serial port gives them) and as a whole recording: bytes per packet and packets per second side by side.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary, parse_dictionary
from protocol.foreign.framings import foreign_framing
from protocol.identity import IDENTITY_NAME
from protocol.vehicle import VehicleLink
from server.analysis.pipeline import Pipeline, recorded_output
from server.firmware.generator import write_firmware
from server.recording.records import Kind, Record
from tests.server.firmware.wire2 import on_wire_2
from tests.traffic import KEY

ROUNDS = 400_000
PACKETS = 20_000
CHUNK = 64
C_SOURCES = ("bh_wire.c", "bh_fields.c", "bh_link.c", "bh_dictionary.c", "encode_bench.c")

FIELDS = """
time_KEY
rate_hz = 20
fields = [
  { name = "time", type = "u32", unit = "ms" },
  { name = "pressure", type = "u32", scale = 0.01, unit = "Pa", role = "pressure" },
  { name = "temperature", type = "i16", scale = 0.01, offset = 273.15, unit = "K", role = "baro_temperature" },
  { name = "accel_x", type = "i16", scale = 0.01, unit = "m/s2", role = "accel.a.x" },
  { name = "accel_y", type = "i16", scale = 0.01, unit = "m/s2", role = "accel.a.y" },
  { name = "accel_z", type = "i16", scale = 0.01, unit = "m/s2", role = "accel.a.z" },
  { name = "battery", type = "u16", scale = 0.001, unit = "V", role = "battery.voltage" },
  { name = "phase", type = "u8", values = ["startup", "ground test", "pad"], role = "vehicle_phase" },
]
"""
HEAD = '[dictionary]\nformat = 1\nname = "bench"\nversion = "1"\nvehicle = "Bench"\n'
TEXT = '[framing]\nkind = "text"\nstart = "$"\nchecksum = "xor8"\n'
BINARY = '[framing]\nkind = "binary"\nsync = "A5 5A"\nheader = ["id u8", "length u8", "count u8"]\nchecksum = "crc16"\n'
KINDS = {"blockhouse": "", "text": TEXT, "binary": BINARY}


def bench_source(dictionary: Dictionary) -> str:
    """Return a C program that times every packet's encoder and a copy of its struct."""
    blocks = "\n".join(
        f'    TIME("{name}", bh_{name}_packet, bh_encode_{name}(&radio, i, &values, frame));'
        for name, packet in dictionary.packets.items()
        if packet.rate_hz > 0 and name != IDENTITY_NAME
    )
    return f"""
#define _POSIX_C_SOURCE 200809L
#include <stdio.h>
#include <string.h>
#include <time.h>
#include "blockhouse.h"
static double now(void)
{{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec * 1e9 + (double)t.tv_nsec;
}}
/* The empty statement with "memory" keeps the compiler from leaving out what nobody reads. */
#define TIME(name, type, call) do {{ \\
    type values, copy; double begun, encoded, copied; uint32_t i; size_t size = 0; \\
    memset(&values, 0, sizeof values); \\
    begun = now(); \\
    for (i = 0; i < {ROUNDS}u; i++) {{ size += call; __asm__ volatile("" : : "r"(frame) : "memory"); }} \\
    encoded = (now() - begun) / {ROUNDS}.0; \\
    begun = now(); \\
    for (i = 0; i < {ROUNDS}u; i++) {{ memcpy(&copy, &values, sizeof copy); \\
        __asm__ volatile("" : : "r"(&copy), "r"(&values) : "memory"); }} \\
    copied = (now() - begun) / {ROUNDS}.0; \\
    printf("%s %zu %zu %f %f\\n", name, sizeof values, size / {ROUNDS}u, encoded, copied); }} while (0)
int main(void)
{{
    static const uint8_t key[BH_KEY_SIZE];
    static bh_vehicle vehicle;
    static bh_link radio;
    static uint8_t frame[BH_FRAME_MAX];
    bh_begin(&vehicle, key, BH_VEHICLE_ID, 1, 0, NULL, NULL);
    bh_begin_link(&radio, &vehicle);
{blocks}
    return 0;
}}
"""


def encoder_times(folder: Path) -> list[tuple[str, int, int, float, float]]:
    """Return (packet, struct bytes, frame bytes, ns to encode, ns to copy) of every regular packet."""
    # Zero is not in range of a temperature in kelvin, so that its offset is given away for this one purpose.
    dictionary = on_wire_2(load_dictionary().text.replace("offset = 273.15, ", ""), "sandpiper.toml")
    write_firmware(dictionary, folder)
    (folder / "encode_bench.c").write_text(bench_source(dictionary))
    subprocess.run(["gcc", "-std=c99", "-O2", "-o", "encode", *C_SOURCES], cwd=folder, check=True)
    best: dict[str, tuple[str, int, int, float, float]] = {}
    for _ in range(3):
        for line in subprocess.run(["./encode"], cwd=folder, check=True, capture_output=True, text=True).stdout.splitlines():
            name, struct_bytes, frame_bytes, encoded, copied = line.split()
            found = (name, int(struct_bytes), int(frame_bytes), float(encoded), float(copied))
            before = best.get(name, found)
            best[name] = (*found[:3], min(found[3], before[3]), min(found[4], before[4]))
    return list(best.values())


def framed(kind: str) -> tuple[Dictionary, list[bytes]]:
    """Return a dictionary of one kind and its packets' bytes: the same values in each kind."""
    foreign = bool(KINDS[kind])
    body = "[packet.state]\napid = 1\n" + FIELDS.replace("time_KEY", 'time = "time"' if foreign else "")
    dictionary = parse_dictionary(HEAD + body + KINDS[kind])
    link, framing = VehicleLink(dictionary, KEY, 1), foreign_framing(dictionary)
    out = []
    for number in range(PACKETS):
        values = {
            "time": 50 * number,
            "pressure": 94_000.0 - number % 300,
            "temperature": 291.0,
            "accel_x": 0.1,
            "accel_y": -0.1,
            "accel_z": 9.8 + 0.01 * (number % 7),
            "battery": 8.05,
            "phase": 2,
        }
        frame = framing.encode("state", values) if framing else link.frame("state", 50 * number, values)
        out.append(frame)
    return dictionary, out


def station_times(kind: str) -> tuple[float, float, float]:
    """Return (bytes per packet, packets per second live, packets per second as a recording)."""
    dictionary, frames = framed(kind)
    data = b"".join(frames)
    step_ns = 50_000_000 * PACKETS * CHUNK // len(data)
    starts = range(0, len(data), CHUNK)
    records = [Record(Kind.RECEIVED, i, i * step_ns, data[at : at + CHUNK]) for i, at in enumerate(starts)]
    pipeline = Pipeline(dictionary, 0)
    begun = time.perf_counter()
    rows = sum(len(pipeline.take(record).rows.get("state", ())) for record in records)
    live = PACKETS / (time.perf_counter() - begun)
    begun = time.perf_counter()
    whole = recorded_output(dictionary, records, 0)
    recorded = PACKETS / (time.perf_counter() - begun)
    assert rows == len(whole.rows["state"]) == PACKETS
    return len(data) / PACKETS, live, recorded


def main() -> int:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as name:
        times = encoder_times(Path(name))
    print(f"{'packet':12} {'struct':>7} {'frame':>6} {'encode ns':>10} {'memcpy ns':>10} {'ratio':>7}")
    for packet, struct_bytes, frame_bytes, encoded, copied in times:
        print(f"{packet:12} {struct_bytes:7} {frame_bytes:6} {encoded:10.0f} {copied:10.2f} {encoded / copied:7.0f}")
    each = sum(encoded for _, _, _, encoded, _ in times) / sum(frame for _, _, frame, _, _ in times)
    ratio = sum(t[3] for t in times) / sum(t[4] for t in times)
    print(f"all: {each:.1f} ns per byte of frame, {ratio:.0f} times a plain memcpy of the same structs")
    print(f"\n{'framing':12} {'bytes/packet':>13} {'live /s':>9} {'recording /s':>13}")
    for kind in KINDS:
        size, live, recorded = station_times(kind)
        print(f"{kind:12} {size:13.1f} {live:9.0f} {recorded:13.0f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
