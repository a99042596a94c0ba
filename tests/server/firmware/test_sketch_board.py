"""The sketch on a board: the folder compiled as a whole by C++ compilers, run against a 64-byte ring in virtual time.

Here a look at the clock costs a fixed while, so that only waiting shows; on the emulated Cortex-M3 every instruction takes
32 ns (31 million in a second, about what a Cortex-M0 does at 48 MHz), and the serial port takes 57 600 baud.
"""

from __future__ import annotations

import re
import shutil
from collections import Counter
from pathlib import Path

import pytest

from protocol.events import BootIdLearned, PacketReceived, SequenceGap
from protocol.link import Link
from server.firmware.generator import write_firmware
from tests.protocol.helpers import events_of
from tests.server.firmware.build import DICTIONARIES, REHEARSAL
from tests.server.firmware.build import SANDPIPER_2 as SANDPIPER
from tests.server.firmware.sketch_board import (
    BOOT_ID,
    KEY,
    Ran,
    commands,
    compile_here,
    compile_m3,
    run_here,
    run_m3,
    write_board,
)

STORE = ["-DSTARTS_IN_EEPROM"]
HERE_MS, M3_MS = 10_000, 4_000
LONGEST_US = 5_000
BLOCKING = re.compile(r"    if \(size \+ kept_free > .*?\n    for .*?\n    }\n", re.S)


def sketch(folder: Path, run_ms: int, old: str = "", new: str = "") -> Path:
    """Write the Sandpiper's folder with an uplink as busy as it gets; `old` in the sketch becomes `new`."""
    write_firmware(SANDPIPER, folder)
    write_board(folder, commands(SANDPIPER, run_ms))
    path = folder / f"{folder.name}.ino"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    return folder


def heard(ran: Ran) -> tuple[Counter[str], list[PacketReceived], int]:
    """Return what the ground hears: packets by name, the packets, and how many were lost; nothing may be damaged."""
    packets, lost = [], 0
    for event in events_of(Link(SANDPIPER, KEY), [ran.sent[: ran.sent.rfind(b"\0") + 1]]):
        if isinstance(event, PacketReceived):
            packets.append(event)
        elif isinstance(event, SequenceGap):
            lost += event.missing or 0
        else:
            assert isinstance(event, BootIdLearned), event
    return Counter(event.packet.name for event in packets), packets, lost


def said(packets: list[PacketReceived], name: str, channel: str) -> list[object]:
    """Return what a channel said, in order; an enum in words."""
    found = SANDPIPER.packets[name].channel(channel)
    place = SANDPIPER.packets[name].channels.index(found)
    values = [event.values[place] for event in packets if event.packet.name == name]
    return [found.text_of(value) if found.values and isinstance(value, float) else value for value in values]


@pytest.mark.parametrize("name", DICTIONARIES)
@pytest.mark.parametrize(("compiler", "options"), [("g++", []), ("clang++", STORE)], ids=["g++", "clang++ and store"])
def test_the_whole_folder_compiles(name: str, compiler: str, options: list[str], tmp_path: Path) -> None:
    write_firmware(DICTIONARIES[name], tmp_path)
    write_board(tmp_path, [])
    compile_here(compiler, tmp_path, 1, options)
    assert run_here(tmp_path).numbers["loops"] > 0


@pytest.mark.parametrize("compiler", ["g++", "clang++"])
def test_the_whole_folder_compiles_for_rehearsal(compiler: str, tmp_path: Path) -> None:
    """And does not begin one before its owner has said what the board measures."""
    compile_here(compiler, sketch(tmp_path / "piper", HERE_MS), HERE_MS, [*STORE, REHEARSAL])
    _, packets, lost = heard(run_here(tmp_path / "piper"))
    assert lost == 0 and set(said(packets, "identity", "build")) == {"rehearsal"}
    told = set(zip(said(packets, "answer", "code"), said(packets, "answer", "reason"), strict=True))
    begins = {command.code for command in SANDPIPER.commands.values() if command.rehearsal in ("enter", "simulator")}
    assert [reason for code, reason in told if code in begins] == ["not in ground test"] * 2
    states = said(packets, "rehearsal", "state")
    assert len(states) >= HERE_MS // 1000 - 1 and set(states) == {"off"}


def test_every_packet_comes_at_its_rate_and_every_command_is_answered(tmp_path: Path) -> None:
    compile_here("g++", sketch(tmp_path / "piper", HERE_MS), HERE_MS, STORE)
    ran = run_here(tmp_path / "piper")
    assert ran.waited == 0 and ran.numbers["dropped"] == ran.numbers["overrun"] == 0
    counts, packets, lost = heard(ran)
    assert lost == 0 and counts["startup"] == 3
    for name, packet in SANDPIPER.packets.items():
        if packet.rate_hz > 1.0:
            assert abs(counts[name] - packet.rate_hz * HERE_MS / 1000) <= 1, name
    orders = len(commands(SANDPIPER, HERE_MS)) // 2
    assert len(set(said(packets, "answer", "counter"))) == orders
    # Refused; Safe all failed: none is written; and this is a build for flight.
    assert set(said(packets, "answer", "reason")) == {"unknown command", "none", "not in this build"}
    assert set(said(packets, "answer", "stage")) == {"refused", "failed"}
    starts = set(zip(said(packets, "identity", "boot_high"), said(packets, "identity", "boot_low"), strict=True))
    assert starts == {(float(BOOT_ID >> 32), float(BOOT_ID & 0xFFFFFFFF))}
    # at once after a Safe all: one each, beside the one in every second
    assert counts["identity"] >= orders // 7 + HERE_MS // 1000 - 2


def test_without_a_store_the_boot_id_is_0_and_only_safe_all_is_heard(tmp_path: Path) -> None:
    compile_here("g++", sketch(tmp_path / "piper", HERE_MS), HERE_MS)
    _, packets, _ = heard(run_here(tmp_path / "piper"))
    assert set(said(packets, "identity", "boot_high") + said(packets, "identity", "boot_low")) == {0.0}
    answers = set(zip(said(packets, "answer", "code"), said(packets, "answer", "reason"), strict=True))
    assert "none" in {reason for code, reason in answers if code == 0.0}
    assert {reason for code, reason in answers if code != 0.0} == {"other boot"}


def test_a_slow_modem_drops_whole_frames_and_counts_them_and_answers_get_through(tmp_path: Path) -> None:
    compile_here("g++", sketch(tmp_path / "piper", HERE_MS, "#define BAUD 57600", "#define BAUD 19200"), HERE_MS, STORE)
    ran = run_here(tmp_path / "piper")
    counts, packets, lost = heard(ran)
    assert ran.waited == 0
    assert ran.numbers["dropped"] > 200 and 0 < lost <= ran.numbers["dropped"]
    asked = set(range(1, len(commands(SANDPIPER, HERE_MS - 1000)) // 2 + 1))  # the answers to the last may still wait
    assert asked <= set(said(packets, "answer", "counter"))
    assert counts["identity"] >= 9


def test_no_loop_takes_longer_than_five_milliseconds_on_an_emulated_board(tmp_path: Path) -> None:
    assert shutil.which("qemu-system-arm") and shutil.which("arm-none-eabi-g++"), "needed for this test"
    compile_m3(sketch(tmp_path / "piper", M3_MS), M3_MS, STORE)
    ran = run_m3(tmp_path / "piper")
    print(f"longest loop {ran.numbers['longest_us']} us, waiting in write {ran.waited:.1%} of the time")
    assert ran.numbers["longest_us"] < LONGEST_US and ran.waited == 0
    assert ran.numbers["dropped"] == ran.numbers["overrun"] == 0
    counts, packets, lost = heard(ran)
    assert lost == 0 and abs(counts["imu_a"] - 25 * M3_MS / 1000) <= 1
    assert len(set(said(packets, "answer", "counter"))) == len(commands(SANDPIPER, M3_MS)) // 2


def test_a_sketch_that_writes_straight_to_the_port_is_noticed(tmp_path: Path) -> None:
    """The board of the test above sees what it looks for: without the queue the loop waits for most of the time."""
    folder = sketch(tmp_path / "piper", M3_MS)
    path = folder / "piper.ino"
    text, changed = BLOCKING.subn("    (void)kept_free;\n    RADIO.write(frame, size);\n", path.read_text())
    assert changed == 1
    path.write_text(text)
    compile_m3(folder, M3_MS, STORE)
    ran = run_m3(folder)
    print(f"longest loop {ran.numbers['longest_us']} us, waiting in write {ran.waited:.1%} of the time")
    assert ran.numbers["longest_us"] > LONGEST_US and ran.waited > 0.1
