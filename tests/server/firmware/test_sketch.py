"""The sketch: every packet at its rate and apart from the others, every command named, none obeyed unwritten."""

from __future__ import annotations

from itertools import pairwise

from server.firmware.layout import Layout
from server.firmware.sketch import phases, sketch_text
from tests.server.firmware.build import SANDPIPER_2 as SANDPIPER
from tests.server.firmware.build import SMALL_2 as SMALL


def test_each_periodic_packet_is_in_the_plan() -> None:
    text = sketch_text(Layout(SANDPIPER), "Made by a test; so.")
    for name, packet in SANDPIPER.packets.items():
        planned = f"{{send_{name}, BH_{name.upper()}_PERIOD_MS, " in text
        assert planned == (packet.rate_hz > 0), name
    assert "bh_identity_frame(&vehicle, now_ms(), frame)" in text


def test_each_command_has_its_case_and_none_is_obeyed_unwritten() -> None:
    text = sketch_text(Layout(SANDPIPER), "Made by a test; so.")
    for name, command in SANDPIPER.commands.items():
        assert (f"case BH_COMMAND_{name.upper()}:" in text) == (not command.safes_all)
    assert text.count("BH_STAGE_REFUSED") == 1 and text.count("BH_STAGE_FAILED") == 1 and "BH_STAGE_ACCEPTED" not in text


def test_without_a_startup_packet_there_is_no_start_up() -> None:
    assert "startup" not in sketch_text(Layout(SMALL), "Made by a test; so.")


def test_the_packets_begin_apart() -> None:
    """In no span of 50 ms does more come up than 64 bytes of ring and 160 of queue hold beyond what the modem carries."""
    layout = Layout(SANDPIPER)
    plan = list(phases(layout))
    assert all(0 <= begin < period for _, period, begin in plan)
    sizes = {packet.name: packet.frame_bytes for packet in layout.packets}
    load = [0] * 2000
    for name, period, begin in plan:
        for at in range(begin, len(load), period):
            load[at] += sizes[name]
    assert max(sum(load[at : at + 50]) for at in range(len(load) - 50)) <= 50 * 5.76 + 64 + 160
    together = [0] * 2000
    for name, period, _ in plan:
        for at in range(0, len(together), period):
            together[at] += sizes[name]
    assert max(load) < max(together) / 3


def test_a_pin_or_the_time_since_the_start_never_makes_a_boot_id() -> None:
    text = sketch_text(Layout(SANDPIPER), "Made by a test; so.")
    (with_store, without) = [line for line in text.splitlines() if line.startswith("static uint64_t next_boot_id")]
    assert "bh_flash_count, &starts_memory" in with_store and "NULL, NULL, NULL, 0" in without
    assert "analogRead" not in text and "micros" not in text and "random" not in text


def test_each_packet_has_one_sender() -> None:
    for dictionary in (SANDPIPER, SMALL):
        lines = sketch_text(Layout(dictionary), "Made by a test; so.").splitlines()
        senders = sorted(line for line in lines if line.startswith("static void send_"))
        assert all(one != other for one, other in pairwise(senders))
