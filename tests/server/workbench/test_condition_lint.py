"""Interlocks and effects that can never be met, or never fail: each planted in a sound dictionary, told with its place."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary, parse_dictionary
from protocol.toml_table import line_of
from server.firmware.layout import FirmwareProblem, Layout
from server.telemetry.comparisons import known_roles
from server.telemetry.conditions import Reading, check_condition, effect_shown
from server.workbench.condition_lint import condition_findings
from server.workbench.dictionary_lint import findings
from server.workbench.lint_remark import CAUTION, FAULT, LintRemark
from tests.protocol.foreign.foreign_helpers import PLOVER, WREN
from tests.protocol.helpers import HEAD, SANDPIPER, SMALL_TEXT
from tests.server.firmware.wire2 import wire2_text

BOUND = wire2_text(SANDPIPER.text)
LAST = "# ---------------------------------------------------------------- conditions for hazardous commands"
GROUPS = [", ".join(f'{{ name = "b{word}_{bit}", bit = {bit} }}' for bit in range(32)) for word in range(8)]
WORDS = ", ".join(f'{{ name = "w{word}", type = "bits32", bits = [ {group} ] }}' for word, group in enumerate(GROUPS))
MANY = f"[packet.many]\napid = 1000\nfields = [ {WORDS} ]\n"


def conditions(dictionary: Dictionary) -> list[LintRemark]:
    return list(condition_findings(dictionary, known_roles(dictionary)))


@pytest.mark.parametrize("dictionary", [SANDPIPER, WREN, PLOVER], ids=lambda dictionary: dictionary.name)
def test_the_samples_can_all_be_met_and_fail(dictionary: Dictionary) -> None:
    assert conditions(dictionary) == []


# (what stands in the Sandpiper, what is put in its place, the place told, the sentence)
PLANTED = [
    # words the field never says
    ('one_of = ["ground test"]', 'one_of = ["groundtest"]', "interlock.ground_test.one_of", "never says 'groundtest'"),
    ('one_of = ["ground test", "pad"]', 'one_of = ["pad", "pads"]', "interlock.on_ground.one_of", "never says 'pads'"),
    ('equals = ["pad", "ground test"]', 'equals = ["pad", "test"]', "command.ground_test.effects[0].equals", "(on 1)"),
    (
        'role = "board.inhibited"\nequals = 0',
        'role = "board.inhibited"\nequals = "no"',
        "interlock.board_enabled.equals",
        "'no'",
    ),
    ("at_most = 2.0", 'at_most = "2 s"', "interlock.link_fresh.at_most", "a number of the station's"),
    # roles that no field has
    (
        "fin[{fin}].measured",
        "fin[{fin}].mesured",
        "command.fin_move.effects[0].role",
        "fin[1].mesured, asked for with fin 1",
    ),
    ("fin[*].measured", "fin[*].mesured", "command.fin_center.effects[0].role", "no field has the role fin[*].mesured"),
    ('"ground.link_loss"', '"ground.link_los"', "interlock.link_loss.role", "no field has the role ground.link_los"),
    (
        '"channel[{channel}].armed"\nequals',
        '"channel[{channel}].arm"\nequals',
        "interlock.channel_armed.role",
        "for channel_fire",
    ),
    (
        'args = [ { name = "channel", type = "u8", min = 1, max = 4 } ]\neffects',
        'args = [ { name = "channel", type = "u8", min = 0, max = 4 } ]\neffects',
        "command.channel_safe.effects[0].role",
        "channel[0].armed, asked for with channel 0",
    ),
    (
        'name = "fin", type = "u8", min = 1, max = 4 } ]',
        'name = "fin", type = "u32", min = 1, max = 4000000000 } ]',
        "command.fin_sweep.effects[0].role",
        "no field has the role fin[",
    ),
    (
        'role = "channel[*].armed", equals',
        'role = "ground.tilt", equals',
        "command.safe_all.effects[0].role",
        "by the station",
    ),
    (
        '"channel[{channel}].armed"\nequals',
        '"channel[*].armed"\nequals',
        "interlock.channel_armed.role",
        "[*] is for effects",
    ),
    ("camera[{camera}].powered", "camera[{counter}].powered", "command.camera_power.effects[0].role", "stands in no role"),
    ('role = "uplink.last_counter", at_least', 'role = "event.text", at_least', "command.ping.effects[0].role", "is a text"),
    # numbers outside what a flag, an enum or a field holds
    (
        'role = "board.inhibited"\nequals = 0',
        'role = "board.inhibited"\nequals = 2',
        "interlock.board_enabled.equals",
        "0..1",
    ),
    ('one_of = ["ground test"]', "one_of = [7]", "interlock.ground_test.one_of", "holds 0..6, never 7"),
    (
        'role = "board.inhibited", equals = 1',
        'role = "board.inhibited", at_least = 2',
        "command.safe_all.effects[1].at_least",
        "2",
    ),
    (
        'max = 1, values = ["off", "on"] }',
        'max = 2, values = ["off", "on", "x"] }',
        "command.camera_power.effects[0].equals",
        "holds 0..1, never 2, which on may be",
    ),
    (
        'equals = "{angle}", within = 0.02',
        "equals = 0.00005",
        "command.fin_move.effects[0].equals",
        "say `equals` with `within`",
    ),
    ('equals = "{on}" }', 'equals = "{counter}" }', "command.camera_power.effects[0].equals", "never 4294967295"),
    # lists in the wrong hands
    ('vehicle_phase", per = "on", equals', 'vehicle_phase", equals', "command.ground_test.effects[0].equals", "needs `per`"),
    ('per = "on", equals', 'per = "on", one_of', "command.ground_test.effects[0].per", "picks nothing"),
    ('one_of = ["ground test"]', "one_of = []", "interlock.ground_test.one_of", "an empty list"),
    ("at_most = 0.10", 'equals = "{counter}"', "interlock.link_loss.equals", "known to effects only"),
]


def planted(old: str, new: str) -> tuple[str, list[LintRemark]]:
    assert old in SANDPIPER.text
    text = SANDPIPER.text.replace(old, new, 1)
    return text, conditions(parse_dictionary(text))


@pytest.mark.parametrize(("old", "new", "place", "sentence"), PLANTED, ids=lambda word: None)
def test_what_can_never_be_met_is_a_fault(old: str, new: str, place: str, sentence: str) -> None:
    text, found = planted(old, new)
    hits = [remark for remark in found if remark.severity == FAULT and remark.place == place]
    assert len(hits) == 1 and sentence in hits[0].text, found
    line = line_of(text, place)
    assert line is not None and place.split(".")[-1] in text.splitlines()[line - 1]


def test_what_the_check_says_never_holds_never_does() -> None:
    """Every fault of a planted interlock on a vehicle's field: whatever the field says, the station's own check refuses."""
    looked_at = 0
    for old, new, place, _ in PLANTED:
        if not place.startswith("interlock."):
            continue
        dictionary = parse_dictionary(SANDPIPER.text.replace(old, new, 1))
        condition = dictionary.interlocks[place.split(".")[1]]
        channel = dictionary.roles.get(condition.role)
        if channel is None or not (channel.values or channel.kind == "flag") or "pads" in new:
            continue
        for value in range(len(channel.values) or 2):
            check = check_condition(dictionary, condition, {}, Fixed(float(value)), 0.0)
            assert not check.met, (condition, value)
            looked_at += 1
    assert looked_at >= 10


def test_an_effect_on_what_the_station_measures_is_never_shown() -> None:
    text = SANDPIPER.text.replace(
        'role = "uplink.last_counter", at_least = "{counter}"', 'role = "ground.tilt", at_most = 9'
    )
    dictionary = parse_dictionary(text)
    assert not effect_shown(dictionary, dictionary.commands["ping"], {}, 1, Fixed(0.0), 1.0, 0.0)


class Fixed:
    """Every role says the same, now."""

    def __init__(self, value: float) -> None:
        self.value = value

    def reading(self, role: str, now_s: float) -> Reading:
        return Reading(self.value, now_s)


FIELDS = """
[packet.all]
apid = 1
fields = [
  { name = "tenths", type = "u8", scale = 0.1, role = "tenths" },
  { name = "single", type = "f32", role = "single" },
  { name = "double", type = "f64", role = "double" },
  { name = "signed", type = "i8", role = "signed" },
  { name = "pair", type = "bits8", bits = [ { name = "pair", bit = 0, width = 2, role = "pair" } ] },
]
"""


@pytest.mark.parametrize(
    ("condition", "severity", "sentence"),
    [
        ("role = 'tenths'\nequals = 0.2", None, ""),
        ("role = 'tenths'\nequals = 0.3", FAULT, "comes no nearer to 0.3 than 0.30000000000000004"),
        ("role = 'tenths'\nequals = 0.3\nwithin = 1e-9", None, ""),
        ("role = 'tenths'\nat_least = 25.5", None, ""),
        ("role = 'tenths'\nat_least = 25.6", FAULT, "holds 0..25.5, never 25.6"),
        ("role = 'single'\nequals = 0.1", FAULT, "comes no nearer"),
        ("role = 'single'\nat_most = 1e39", FAULT, "never 1e+39"),
        ("role = 'double'\nequals = 0.1", None, ""),
        ("role = 'signed'\nat_least = -129", FAULT, "holds -128..127, never -129"),
        ("role = 'signed'\nat_least = -128", CAUTION, "can never fail: signed holds -128..127"),
        ("role = 'signed'\nat_most = 127", CAUTION, "can never fail"),
        ("role = 'signed'\nequals = 0.5", FAULT, "comes no nearer to 0.5 than 0"),
        ("role = 'pair'\none_of = [0, 3]", None, ""),
        ("role = 'pair'\none_of = [0, 4]", FAULT, "holds 0..3, never 4"),
        ("role = 'pair'\nequals = 'x'", FAULT, "never says 'x': it is a number"),
        ("role = 'x[{n}]'\nequals = 0", CAUTION, "is used by no command"),
    ],
)
def test_an_interlock_against_what_its_field_can_hold(condition: str, severity: str | None, sentence: str) -> None:
    """Of an interlock that no command uses yet, too."""
    found = conditions(parse_dictionary(f"{HEAD}{FIELDS}[interlock.a]\n{condition}\n"))
    assert [remark.severity for remark in found] == ([severity] if severity else []), found
    assert all(sentence in remark.text for remark in found)


def test_one_argument_in_the_role_and_beside_it_is_the_same_one() -> None:
    """Light 2 shows 2 and light 1 shows 1: neither can show the other's number, nor has to."""
    lights = (
        '[packet.all]\napid = 1\nfields = [ { name = "w", type = "bits8", bits = [ '
        '{ name = "a", bit = 0, role = "light[1].number" }, '
        '{ name = "b", bit = 1, width = 2, role = "light[2].number" } ] } ]\n'
    )
    act = '[command.c]\ncode = 1\nhazard = "routine"\ntitle = "A"\ndoes = "A."\n'
    act += 'args = [ { name = "n", type = "u8", min = 1, max = 2 } ]\n'
    act += 'effects = [ { role = "light[{n}].number", equals = "{n}" } ]\n'
    assert conditions(parse_dictionary(HEAD + lights + act)) == []


# ---------------------------------------------------------------- answers and firmware, of the looking over as a whole


def faults(text: str) -> Iterator[LintRemark]:
    return (remark for remark in findings(parse_dictionary(text)) if remark.severity == FAULT)


def test_commands_without_an_answer_packet_are_a_fault_unless_declared() -> None:
    without = SMALL_TEXT.replace("[packet.answer]", "[packet.reply]")
    fault, *_ = faults(without)
    assert fault.place == "uplink.answers" and "say answers = false" in fault.text
    assert line_of(without, fault.place) == without.splitlines().index("[uplink]") + 1
    assert not any("answer" in fault.text for fault in faults(without.replace("apid = 9", "apid = 9\nanswers = false")))


def test_an_answer_without_its_roles_is_a_fault() -> None:
    assert [fault.text.split(",")[0] for fault in faults(SMALL_TEXT)] == [
        f"no field has the role answer.{name}" for name in ("boot_id", "counter", "stage", "reason")
    ]


@pytest.mark.parametrize(
    ("old", "new", "place", "sentence"),
    [
        (
            '{ name = "code",    type = "u8"',
            '{ name = "kode",    type = "u8"',
            "packet.answer.fields",
            "exactly the plain fields",
        ),
        ('"unknown command", ', "", "packet.answer.reason", "has no value 'unknown command'"),
        ('"accepted", "refused", ', '"begun", "refused", ', "packet.answer.stage", "has no value 'accepted'"),
        (LAST, f"{LAST}\n{MANY}", "packet.many.fields", "has 256 channels"),
    ],
)
def test_what_the_firmware_generator_refuses_is_a_fault(old: str, new: str, place: str, sentence: str) -> None:
    assert old in BOUND
    text = BOUND.replace(old, new, 1)
    hits = [fault for fault in faults(text) if fault.place == place]
    assert len(hits) == 1 and sentence in hits[0].text and line_of(text, place) is not None
    with pytest.raises(FirmwareProblem):
        Layout(parse_dictionary(text))


def test_a_bound_sandpiper_has_no_fault() -> None:
    assert list(faults(BOUND)) == []


def test_no_firmware_is_asked_of_a_vehicle_of_version_1_or_without_answers() -> None:
    first_wire = load_dictionary(Path(__file__).parents[2] / "sandpiper_1.toml")
    notes = [remark for remark in findings(first_wire) if "no firmware can be made of it" in remark.text]
    assert [remark.severity for remark in notes] == ["note"]
    unrehearsed = re.sub(
        r"^\[(rehearsal|stimulus\.\w+|command\.(rehearsal|simulator)_\w+)\]\n(.+\n)+", "", BOUND, flags=re.M
    )
    silent = unrehearsed.replace("[packet.answer]", "[packet.reply]").replace("[uplink]", "[uplink]\nanswers = false", 1)
    assert not any("answer" in fault.text for fault in faults(silent))


@pytest.mark.parametrize("words", [("any", "count"), ("count", "end"), ("end", "none")])
def test_what_a_compiler_refused_is_no_fault_any_more(words: tuple[str, str]) -> None:
    """The generator gives what collides another name; tests/server/firmware/test_collisions.py compiles it."""
    text = BOUND.replace("[packet.cameras]", f"[packet.{words[0]}]").replace("[command.ping]", f"[command.{words[1]}]")
    assert list(faults(text)) == []
