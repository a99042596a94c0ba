"""What the C tables are made of, and the dictionaries no firmware can be made for."""

from __future__ import annotations

import pytest

from protocol.rehearsal import REHEARSAL_APID
from server.firmware.layout import FirmwareProblem, Layout
from tests.protocol.helpers import SMALL, SMALL_TEXT
from tests.server.firmware.build import SANDPIPER_2, SMALL_2, WIDE_TEXT
from tests.server.firmware.wire2 import on_wire_2


def test_scaled_numbers_are_doubles_and_whole_ones_their_own_type() -> None:
    members = {member.channel.name: member for member in Layout(SMALL_2).members["all"]}
    assert [members[name].c_type for name in ("a_u8", "a_i8", "a_u32", "a_i32")] == [
        "uint8_t",
        "double",
        "uint32_t",
        "double",
    ]
    assert [members[name].c_type for name in ("a_f32", "a_f64", "note")] == ["float", "double", "const char *"]
    assert [members[name].c_type for name in ("low", "wide", "whole")] == ["uint8_t", "uint16_t", "uint32_t"]


def test_only_the_last_group_of_a_word_writes_it() -> None:
    members = [member for member in Layout(SMALL_2).members["all"] if member.type == "BH_BITS8"]
    assert ["BH_LAST" in member.how for member in members] == [False, False, True]


def test_equal_scales_and_limits_are_kept_once() -> None:
    layout = Layout(SANDPIPER_2)
    assert len(layout.scales) == len(set(layout.scales)) < 12
    assert len(layout.limits) == len(set(layout.limits)) < 8


def test_packets_are_in_the_order_of_their_apids_and_periods_are_whole_milliseconds() -> None:
    layout = Layout(SANDPIPER_2)
    *others, last = [packet.apid for packet in layout.packets]
    assert others == sorted(others) and last == REHEARSAL_APID  # which firmware for flight has not
    assert {packet.name: period for packet, period in layout.periods()}["imu_b"] == 40


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("[packet.answer]", "[packet.reply]", "has commands but no packet 'answer'"),
        ('{ name = "boot_id", type = "u32" }, { name = "code"', '{ name = "code"', "exactly the plain fields"),
        ('"old counter", ', "", "has no value 'old counter'"),
        ('"failed"]', '"lost"]', "has no value 'failed'"),
        (', "not stored"]', "]", "has no value 'not stored'"),
    ],
)
def test_a_dictionary_without_proper_answers_is_refused(old: str, new: str, sentence: str) -> None:
    assert WIDE_TEXT.count(old) == 1
    with pytest.raises(FirmwareProblem, match=sentence):
        Layout(on_wire_2(WIDE_TEXT.replace(old, new), "wide.toml"))


def test_a_dictionary_without_commands_needs_no_answers() -> None:
    text = SMALL_TEXT.split("[packet.answer]")[0]
    layout = Layout(on_wire_2(text, "small.toml"))
    assert layout.commands == [] and not layout.hears


def test_a_dictionary_of_wire_1_is_refused_with_how_to_move_it() -> None:
    with pytest.raises(FirmwareProblem, match=r"small is of wire version 1, .* write wire = 2 under \[dictionary\]"):
        Layout(SMALL)
