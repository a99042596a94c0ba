"""What the relays count: every uplink frame but pings, whatever its bytes happen to be."""

from __future__ import annotations

from protocol.bound import build_bound_frame, build_safe_all_frame
from protocol.dictionary_file import load_dictionary
from tests.browser.station import PingFilter

KEY, VEHICLE, BOOT_ID, HASH = bytes(32), 7, 1, 2


def test_every_safe_all_counts_although_one_of_256_has_the_code_of_a_ping_where_a_command_has_its_own() -> None:
    pings = PingFilter()
    frames = [build_safe_all_frame(KEY, VEHICLE, counter) for counter in range(1, 2001)]
    assert [frame for frame in frames if pings.others(frame) == 0] == []


def test_a_ping_counts_as_nothing_and_any_other_command_as_its_frame() -> None:
    pings, commands = PingFilter(), load_dictionary().commands
    for command in commands.values():
        frame = build_bound_frame(KEY, VEHICLE, BOOT_ID, HASH, 9, 1000, command.code, b"")
        assert (pings.others(frame) == 0) == (command.name == "ping"), command.name
