"""The sketch: every packet at its rate, every command named, the hash in the start-up packet."""

from __future__ import annotations

from server.firmware.layout import Layout
from server.firmware.sketch import sketch_text
from tests.server.firmware.build import SANDPIPER_2 as SANDPIPER
from tests.server.firmware.build import SMALL_2 as SMALL


def test_each_periodic_packet_is_sent_in_the_loop() -> None:
    text = sketch_text(Layout(SANDPIPER), "Made by a test; so.")
    for name, packet in SANDPIPER.packets.items():
        called = f"{name}_last, BH_{name.upper()}_PERIOD_MS))" in text
        assert called == (packet.rate_hz > 0), name
    assert "bh_identity_frame(&vehicle, now_ms(), 0, frame)" in text


def test_each_command_has_its_case_and_none_is_obeyed_unwritten() -> None:
    text = sketch_text(Layout(SANDPIPER), "Made by a test; so.")
    for name, command in SANDPIPER.commands.items():
        assert (f"case BH_COMMAND_{name.upper()}:" in text) == (not command.safes_all)
    assert text.count("BH_STAGE_REFUSED") == 1 and text.count("BH_STAGE_FAILED") == 1 and "BH_STAGE_ACCEPTED" not in text


def test_without_a_startup_packet_there_is_no_start_up() -> None:
    assert "startup" not in sketch_text(Layout(SMALL), "Made by a test; so.")
