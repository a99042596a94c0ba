"""Garbage and damaged commands into the compiled receiver, built with the compiler's sanitizers.

The suite feeds 2 million bytes. The long form:

    python -m tests.server.firmware.fuzz --bytes 100000000
"""

from __future__ import annotations

import argparse
import shutil
import struct
import subprocess
import sys
import time
from functools import cache
from pathlib import Path

from protocol.bound import build_bound_frame, build_safe_all_frame
from tests.server.firmware.agreement import KEY
from tests.server.firmware.build import C99, LIBRARY, SANDPIPER_2, SANITIZED, compiled, generated

SOURCE = Path(__file__).with_name("fuzz.c")


@cache
def fuzzer() -> Path:
    """Return the compiled fuzzer of the Sandpiper's dictionary, a file of genuine frames beside it."""
    folder = generated("sandpiper")
    shutil.copy(SOURCE, folder)
    frames = []
    vehicle_id, told = SANDPIPER_2.uplink.vehicle_id, SANDPIPER_2.hash32
    for number, command in enumerate(SANDPIPER_2.commands.values(), start=1):
        args = command.pack_args({arg.name: arg.low if arg.low > 0 else 0 for arg in command.args})
        if command.safes_all:
            frame = build_safe_all_frame(KEY, vehicle_id, number)
        else:
            frame = build_bound_frame(KEY, vehicle_id, 5, told, number, 5000, command.code, args)
        frames.append(struct.pack(">H", len(frame)) + frame)
    (folder / "frames.bin").write_bytes(b"".join(frames))
    return compiled([*C99, *SANITIZED], folder, [*LIBRARY, SOURCE.name], "fuzz")


def fuzz(seed: int, size: int, *more: str) -> dict[str, int]:
    """Feed `size` bytes; fails when a sanitizer has a finding."""
    path = fuzzer()
    command = [str(path), str(path.with_name("frames.bin")), str(seed), str(size), *more]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0 and done.stderr == "", done.stderr
    return dict(zip(("bytes", "dropped", "orders", "answers"), map(int, done.stdout.split()), strict=True))


def main() -> int:
    """Run the long form and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bytes", type=int, default=100_000_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    begun = time.perf_counter()
    print(fuzz(options.seed, options.bytes), f"no finding, {time.perf_counter() - begun:.1f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
