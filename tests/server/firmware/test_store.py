"""The storage callback: called with each new counter before it is obeyed, and a command that cannot be kept is refused."""

from __future__ import annotations

import shutil
import struct
import subprocess
from functools import cache
from pathlib import Path

from protocol.bound import build_bound_frame, build_safe_all_frame
from tests.server.firmware.agreement import KEY
from tests.server.firmware.build import C99, LIBRARY, SANDPIPER_2, SANITIZED, compiled, generated


@cache
def storing() -> Path:
    """Return the compiled vehicle that stores its counters."""
    source = Path(__file__).with_name("store.c")
    build = generated("sandpiper")
    shutil.copy(source, build)
    return compiled([*C99, *SANITIZED], build, [*LIBRARY, source.name], "store")


def said(folder: Path, counters: list[int], fail_at: int) -> str:
    """Send pings with these counters to a vehicle that stores them, Safe all for negative ones; return what it says."""
    code, vehicle_id = SANDPIPER_2.commands["ping"].code, SANDPIPER_2.uplink.vehicle_id
    frames = [
        build_bound_frame(KEY, vehicle_id, 5, SANDPIPER_2.hash32, counter, 5000, code, b"")
        if counter > 0
        else build_safe_all_frame(KEY, vehicle_id, -counter)
        for counter in counters
    ]
    (folder / "frames.bin").write_bytes(b"".join(struct.pack(">H", len(frame)) + frame for frame in frames))
    command = [str(storing()), str(folder / "frames.bin"), str(fail_at)]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()


ANSWER = 1 + 6 + 4 + 11 + 2 + 2  # bytes of an answer's frame


def test_each_new_counter_is_stored_once_before_it_is_obeyed(tmp_path: Path) -> None:
    """What was stored before the start (2) and what is repeated (5, not yet answered) is not obeyed again."""
    assert said(tmp_path, [1, 2, 5, 5, 4, 9], 0) == f"A({ANSWER})A({ANSWER})OAA({ANSWER})O: 5 9"


def test_a_counter_that_cannot_be_kept_is_refused_and_stays_burned(tmp_path: Path) -> None:
    assert said(tmp_path, [5, 6, 6, 7], 6) == f"OA({ANSWER})A({ANSWER})O: 5 7"


def test_safe_all_is_obeyed_when_its_counter_cannot_be_kept(tmp_path: Path) -> None:
    """Each time, old ones too; and what was sent before it is not obeyed after it."""
    assert said(tmp_path, [5, -7, -7, -3, 6], 7) == f"OSSSA({ANSWER}): 5"
