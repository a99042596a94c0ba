"""The dictionary loader: what it makes of a good file, and the exact sentence for each way of being wrong."""

from __future__ import annotations

import re
from math import degrees
from pathlib import Path

import pytest

from protocol.dictionary import FlightRules
from protocol.dictionary_file import load_dictionary, parse_dictionary
from protocol.errors import DictionaryError
from protocol.framing import CONTENT_MAX
from tests.protocol.foreign.foreign_helpers import WREN
from tests.protocol.helpers import HEAD, SANDPIPER, SMALL, SMALL_TEXT

PACKET = "[packet.p]\napid = 1\n"
FIELD = 'fields = [ {{ name = "x", type = "u16", {} }} ]\n'
COMMAND = '[command.c]\ncode = 1\nhazard = "routine"\ntitle = "C"\ndoes = "Does."\n'
ARG = 'args = [ { name = "n", type = "u8", min = 0, max = 1 } ]\n'
LONG_ARG = '{{ name = "a{}", type = "f64", min = 0, max = 1 }}'
KINDS = "altitude_baro, camera[{camera}].powered or camera[*].powered"
FINITE = "must be a finite number that fits 64-bit floating point"


def field(more: str) -> str:
    return HEAD + PACKET + FIELD.format(more)


def bits(*entries: str, type_: str = "bits8") -> str:
    listed = ", ".join("{ " + entry + " }" for entry in entries)
    return HEAD + PACKET + f'fields = [ {{ name = "x", type = "{type_}", bits = [ {listed} ] }} ]\n'


def arg(more: str) -> str:
    return HEAD + COMMAND + 'args = [ { name = "n", ' + more + " } ]\n"


def command(more: str) -> str:
    return HEAD + COMMAND + more


def codes(*pairs: tuple[str, int, str]) -> str:
    tables = [f'[command.{n}]\ncode = {c}\nhazard = "{h}"\ntitle = "T"\ndoes = "D."\n' for n, c, h in pairs]
    return HEAD + "".join(tables)


X_U8 = 'fields = [ { name = "x", type = "u8" } ]\n'
BROKEN = [
    # the file and its head
    ("x = ", "[file] is not valid TOML: Invalid value (at end of document)"),
    ("", "key 'dictionary' is missing"),
    ("dictionary = 3", "[dictionary] must be a table, got 3"),
    ("[dictionary]\n", "[dictionary] key 'format' is missing"),
    (HEAD.replace("format = 1", "format = 2"), "[dictionary.format] this Blockhouse reads format 1"),
    (HEAD.replace("format = 1", 'format = "1"'), "[dictionary.format] must be a whole number, got '1'"),
    (HEAD.replace('name = "small"\n', ""), "[dictionary] key 'name' is missing"),
    (HEAD.replace('version = "1"', "version = 1"), "[dictionary.version] must be text, got 1"),
    (HEAD.replace('vehicle = "Test stand"\n', ""), "[dictionary] key 'vehicle' is missing"),
    (HEAD + "modem_baud = 0\n", "[dictionary.modem_baud] must be above zero"),
    (HEAD + 'color = "red"\n', "[dictionary.color] unknown key 'color'"),
    (HEAD + "[pakcet.p]\n", "[pakcet] unknown key 'pakcet'"),
    (HEAD + "packet = 3\n", "[dictionary.packet] unknown key 'packet'"),
    # packets
    (HEAD + "[packet]\np = 3\n", "[packet.p] must be a table"),
    (
        HEAD + "[packet.P]\napid = 1\n" + X_U8,
        "[packet.P] name 'P' must be lower-case letters, digits and _ (at most 40)",
    ),
    (HEAD + "[packet.p]\n" + X_U8, "[packet.p] key 'apid' is missing"),
    (HEAD + "[packet.p]\napid = 2047\n" + X_U8, "[packet.p.apid] must be 0..2046, got 2047"),
    (HEAD + "[packet.p]\napid = -1\n" + X_U8, "[packet.p.apid] must be 0..2046, got -1"),
    (HEAD + PACKET, "[packet.p.fields] has no fields"),
    (HEAD + PACKET + "fields = 3\n", "[packet.p.fields] must be a list, got 3"),
    (HEAD + PACKET + "fields = [ 3 ]\n", "[packet.p.fields[0]] must be a table"),
    (HEAD + PACKET + "rate_hz = -1\n" + X_U8, "[packet.p.rate_hz] must not be negative"),
    (HEAD + PACKET + "rate_hz = nan\n" + X_U8, f"[packet.p.rate_hz] {FINITE}"),
    (HEAD + PACKET + "rate = 5\n" + X_U8, "[packet.p.rate] unknown key 'rate'"),
    (
        HEAD + PACKET + 'fields = [ { name = "x", type = "u8" }, { name = "x", type = "u8" } ]\n',
        "[packet.p.fields] has two channels named 'x'",
    ),
    (
        HEAD + PACKET + 'fields = [ { name = "x", type = "text243" } ]\n',
        f"[packet.p] is 255 bytes with header and CRC, {CONTENT_MAX} fit a frame",
    ),
    (HEAD + PACKET + X_U8 + "[packet.q]\napid = 1\n" + X_U8, "[packet.q.apid] 1 is already used by p"),
    # fields
    (HEAD + PACKET + 'fields = [ { type = "u8" } ]\n', "[packet.p.fields[0]] key 'name' is missing"),
    (HEAD + PACKET + 'fields = [ { name = "x" } ]\n', "[packet.p.fields[0]] key 'type' is missing"),
    (
        HEAD + PACKET + 'fields = [ { name = "x", type = "u12" } ]\n',
        "[packet.p.fields[0].type] must be one of u8, i8, u16, i16, u24, i24, u32, i32, u64, i64, f16, f32, f64, bool, "
        "bits8, bits16, bits32, textN, bytesN, got 'u12'",
    ),
    (
        HEAD + PACKET + 'fields = [ { name = "1x", type = "u8" } ]\n',
        "[packet.p.fields[0]] name '1x' must be lower-case letters, digits and _ (at most 40)",
    ),
    (field("scael = 1"), "[packet.p.fields[0].scael] unknown key 'scael'"),
    (field("scale = 0"), "[packet.p.fields[0].scale] must not be zero"),
    (field("scale = inf"), f"[packet.p.fields[0].scale] {FINITE}"),
    (field("offset = nan"), f"[packet.p.fields[0].offset] {FINITE}"),
    (
        field("scale = 2").replace("u16", "f32"),
        "[packet.p.fields[0].scale] a float field carries its value as it is; scale and offset are for integers",
    ),
    (field('unit = "m", display_unit = "s"'), "[packet.p.fields[0].display_unit] cannot show 'm' as 's'"),
    (
        field('role = "Altitude"'),
        "[packet.p.fields[0].role] role 'Altitude' must look like altitude_baro or camera[1].powered",
    ),
    (field("role = 3"), "[packet.p.fields[0].role] must be text, got 3"),
    (field("values = [1]"), "[packet.p.fields[0].values] must be a list of texts"),
    (field("range = [1]"), "[packet.p.fields[0].range] must be [low, high] with low < high"),
    (field("range = [2, 2]"), "[packet.p.fields[0].range] must be [low, high] with low < high"),
    (field('range = ["a", "b"]'), "[packet.p.fields[0].range] must be a list of numbers"),
    (field("range = [0, inf]"), f"[packet.p.fields[0].range] {FINITE}"),
    (field("limits = 3"), "[packet.p.fields[0].limits] must be a table, got 3"),
    (field("limits = { low = 3 }"), "[packet.p.fields[0].limits.low] unknown key 'low'"),
    (field('limits = { caution_low = "x" }'), "[packet.p.fields[0].limits.caution_low] must be a number, got 'x'"),
    (
        field("limits = { warning_low = 2, caution_low = 1 }"),
        "[packet.p.fields[0].limits] must rise in the order warning_low, caution_low",
    ),
    # bit groups
    (bits(), "[packet.p.fields[0].bits] needs at least one entry"),
    (bits('name = "a"'), "[packet.p.fields[0].bits[0]] key 'bit' is missing"),
    (bits('name = "a", bit = 8'), "[packet.p.fields[0].bits[0].bit] bits 8..8 are outside the field"),
    (bits('name = "a", bit = -1'), "[packet.p.fields[0].bits[0].bit] bits -1..-1 are outside the field"),
    (bits('name = "a", bit = 6, width = 3'), "[packet.p.fields[0].bits[0].bit] bits 6..8 are outside the field"),
    (bits('name = "a", bit = 6, width = 0'), "[packet.p.fields[0].bits[0].bit] bits 6..5 are outside the field"),
    (
        bits('name = "a", bit = 0, width = 3', 'name = "b", bit = 2'),
        "[packet.p.fields[0].bits[1].bit] bit 2 is used twice",
    ),
    (
        bits('name = "a", bit = 0, scale = 2'),
        "[packet.p.fields[0].bits[0].scale] one bit is a flag: it has no sign, scale or offset",
    ),
    # roles
    (
        HEAD
        + PACKET
        + 'fields = [ { name = "x", type = "u8", role = "altitude" },'
        + '{ name = "y", type = "u8", role = "altitude" } ]\n',
        "[packet.p.y] role 'altitude' is already taken by p.x",
    ),
    (field('role = "boot_id", scale = 2'), "[packet.p.x] role 'boot_id' needs a plain u16 field"),
    (field('role = "boot_id"').replace("u16", "f32"), "[packet.p.x] role 'boot_id' needs a plain u16 field"),
    (
        field('role = "startup.boot_id"').replace("u16", "u32"),
        "[packet.p.x] role 'startup.boot_id' needs a plain u16 field",
    ),
    # uplink
    (HEAD + "[uplink]\n", "[uplink] key 'apid' is missing"),
    (HEAD + "[uplink]\napid = 4000\n", "[uplink.apid] must be 0..2046, got 4000"),
    (
        HEAD + "[uplink]\napid = 1\nsends_at_most = 4\n",
        "[uplink] resend_after_s must be 0.1..3 s and sends_at_most 1..3",
    ),
    (
        HEAD + "[uplink]\napid = 1\nresend_after_s = 0.05\n",
        "[uplink] resend_after_s must be 0.1..3 s and sends_at_most 1..3",
    ),
    (HEAD + "[uplink]\napid = 1\neffect_within_s = 0\n", "[uplink.effect_within_s] must be above zero"),
    (HEAD + "[uplink]\napid = 1\nkey = 1\n", "[uplink.key] unknown key 'key'"),
    # interlocks
    (HEAD + "[interlock.i]\nequals = 1\n", "[interlock.i] key 'role' is missing"),
    (
        HEAD + '[interlock.i]\nrole = "tilt"\n',
        "[interlock.i] needs exactly one of equals, one_of, at_most, at_least",
    ),
    (
        HEAD + '[interlock.i]\nrole = "tilt"\nequals = 1\nat_most = 2\n',
        "[interlock.i] needs exactly one of equals, one_of, at_most, at_least",
    ),
    (HEAD + '[interlock.i]\nrole = "tilt"\none_of = 1\n', "[interlock.i.one_of] must be a list"),
    (
        HEAD + '[interlock.i]\nrole = "tilt"\nequals = 2026-01-01\n',
        "[interlock.i.equals] must be a number, a text or a list of these",
    ),
    (
        HEAD + '[interlock.i]\nrole = "tilt"\none_of = [1, [2]]\n',
        "[interlock.i.one_of] must be a number, a text or a list of these",
    ),
    (
        HEAD + '[interlock.i]\nrole = "tilt"\nat_least = -inf\n',
        "[interlock.i.at_least] must be a finite number that fits 64-bit floating point",
    ),
    (
        HEAD + f'[interlock.i]\nrole = "tilt"\none_of = [1, {10**400}]\n',
        "[interlock.i.one_of] must be a finite number that fits 64-bit floating point",
    ),
    (HEAD + '[interlock.i]\nrole = "tilt"\nequals = 1\nmax = 2\n', "[interlock.i.max] unknown key 'max'"),
    (
        HEAD + '[interlock.i]\nrole = "a[{n].b"\nequals = 1\n',
        f"[interlock.i.role] role 'a[{{n].b' must look like {KINDS}",
    ),
    (
        HEAD + '[interlock.i]\nrole = "a[*].b[*]"\nequals = 1\n',
        f"[interlock.i.role] role 'a[*].b[*]' must look like {KINDS}",
    ),
    # commands
    (HEAD + COMMAND.replace("code = 1\n", ""), "[command.c] key 'code' is missing"),
    (
        HEAD + COMMAND.replace("code = 1", "code = 0"),
        "[command.c.code] must be 1..254: all zeros and all ones are kept free",
    ),
    (
        HEAD + COMMAND.replace("code = 1", "code = 255"),
        "[command.c.code] must be 1..254: all zeros and all ones are kept free",
    ),
    (
        HEAD + COMMAND.replace('"routine"', '"safe"'),
        "[command.c.hazard] must be one of routine, guarded, hazardous, got 'safe'",
    ),
    (HEAD + COMMAND.replace('title = "C"\n', ""), "[command.c] key 'title' is missing"),
    (HEAD + COMMAND.replace('does = "Does."\n', ""), "[command.c] key 'does' is missing"),
    (command('interlocks = ["dry"]\n'), "[command.c.interlocks] no [interlock.dry] in the dictionary"),
    (command("safes_all = 1\n"), "[command.c.safes_all] must be true or false, got 1"),
    (
        command("safes_all = true\n").replace('"routine"', '"guarded"'),
        "[command.c.safes_all] the command that safes all must be routine and without arguments",
    ),
    (
        command("safes_all = true\n" + ARG),
        "[command.c.safes_all] the command that safes all must be routine and without arguments",
    ),
    (command("kind = 1\n"), "[command.c.kind] unknown key 'kind'"),
    (
        command('effects = [ { role = "fin[{fin}].measured", equals = 0 } ]\n'),
        "[command.c] condition 'effect_1' names argument 'fin', which it does not have",
    ),
    (
        command('effects = [ { role = "fin", equals = "{angle}" } ]\n'),
        "[command.c] condition 'effect_1' names argument 'angle', which it does not have",
    ),
    (
        command(ARG + 'effects = [ { role = "fin", equals = "{n} deg" } ]\n'),
        "[command.c] condition 'effect_1': '{n} deg' must be one {argument} and nothing else",
    ),
    (
        command(ARG + 'effects = [ { role = "fin", equals = 1, per = "n" } ]\n'),
        "[command.c] condition 'effect_1': per names no argument, or its operand is no list",
    ),
    (
        command(ARG + 'effects = [ { role = "fin", equals = ["a"], per = "n" } ]\n'),
        "[command.c] condition 'effect_1': its list has no entry for every value of 'n'",
    ),
    (codes(("a", 7, "routine"), ("b", 7, "routine")), "[command.b.code] 7 is already used by a"),
    (
        codes(("a", 0x0F, "hazardous"), ("b", 0x08, "routine")),
        "[command.a.code] code 0x0F differs from b (0x08) in 3 bits, a hazardous code needs 4",
    ),
    (
        codes(("a", 0x08, "routine"), ("b", 0x0F, "hazardous")),
        "[command.b.code] code 0x0F differs from a (0x08) in 3 bits, a hazardous code needs 4",
    ),
    (
        codes(("a", 1, "routine"), ("b", 2, "routine")).replace('does = "D."', 'does = "D."\nsafes_all = true'),
        "[command] only one command may have safes_all = true",
    ),
    # arguments
    (
        arg('type = "text4", min = 0, max = 1'),
        "[command.c.args[0].type] must be one of u8, i8, u16, i16, u32, i32, f32, f64, got 'text4'",
    ),
    (arg('type = "u8", max = 1'), "[command.c.args[0]] key 'min' is missing"),
    (arg('type = "u8", min = 0'), "[command.c.args[0]] key 'max' is missing"),
    (arg('type = "u8", min = 2, max = 1'), "[command.c.args[0].min] min is above max"),
    (arg('type = "u8", min = 0, max = inf'), f"[command.c.args[0].max] {FINITE}"),
    (arg('type = "u8", min = 0, max = 256'), "[command.c.args[0].max] min..max does not fit u8 at scale 1"),
    (
        arg('type = "i8", min = -2, max = 1, scale = 0.01'),
        "[command.c.args[0].max] min..max does not fit i8 at scale 0.01",
    ),
    (arg('type = "u8", min = 0, max = 1, scale = 0'), "[command.c.args[0].scale] must be above zero"),
    (
        arg('type = "f32", min = 0, max = 1, scale = 2'),
        "[command.c.args[0].scale] a float argument carries its value as it is; scale is for integers",
    ),
    (
        arg('type = "u8", min = 0, max = 1, unit = "m", display_unit = "s"'),
        "[command.c.args[0].display_unit] cannot show 'm' as 's'",
    ),
    (arg('type = "u8", min = 0, max = 1, step = 1'), "[command.c.args[0].step] unknown key 'step'"),
    (
        command(f"args = [ {', '.join(LONG_ARG.format(i) for i in range(28))} ]\n"),
        "[command.c.args] is too long for a frame",
    ),
]


@pytest.mark.parametrize(("text", "sentence"), BROKEN, ids=[sentence[:70] for _, sentence in BROKEN])
def test_each_mistake_has_its_sentence(text: str, sentence: str) -> None:
    with pytest.raises(DictionaryError) as caught:
        parse_dictionary(text, "mine.toml")
    assert re.sub(r" line \d+:", ":", str(caught.value)) == f"mine.toml: {sentence}"


@pytest.mark.parametrize("text", [HEAD, field('unit = "m"'), bits('name = "a", bit = 7'), command(ARG)])
def test_the_frames_of_the_broken_ones_are_sound(text: str) -> None:
    """The mistakes above are made in texts that load without them."""
    parse_dictionary(text)


@pytest.mark.parametrize("limit", [242, 243])
def test_the_longest_packet_fills_a_frame_exactly(limit: int) -> None:
    text = HEAD + PACKET + f'fields = [ {{ name = "x", type = "text{limit}" }} ]\n'
    if limit == 243:
        with pytest.raises(DictionaryError):
            parse_dictionary(text)
    else:
        assert parse_dictionary(text).packets["p"].frame_bytes == 256


# ---------------------------------------------------------------- reading files


def test_a_file_is_named_by_its_last_part(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + "[uplink]\n", "utf-8")
    with pytest.raises(DictionaryError) as caught:
        load_dictionary(path)
    assert str(caught.value) == f"mine.toml line {HEAD.count(chr(10)) + 1}: [uplink] key 'apid' is missing"
    path.write_text(SMALL_TEXT, "utf-8")
    assert load_dictionary(path) == SMALL


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("vehicle_phase", "Vehicle Phase", 'name = "phase"'),  # a role that is none, in a field
        ("bit = 6,  role", "bit = 5,  role", 'name = "channel_2_fired"'),  # a bit used twice, in a group
        ("code = 0x99", "code = 0x9A", "code = 0xD2"),  # too near a hazardous code: found by looking at the whole
        ('interlocks = ["ground_test"]', 'interlocks = ["bench"]', 'interlocks = ["bench"]'),
    ],
)
def test_a_mistake_is_told_with_its_line(old: str, new: str, line: str) -> None:
    assert old in SANDPIPER.text
    text = SANDPIPER.text.replace(old, new, 1)
    with pytest.raises(DictionaryError) as caught:
        parse_dictionary(text, "mine.toml")
    assert caught.value.line is not None and line in text.splitlines()[caught.value.line - 1]
    assert str(caught.value).startswith(f"mine.toml line {caught.value.line}: [")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (SMALL_TEXT.replace("apid = 9", "apid = 9\nanswers = false"), "means nothing beside a packet 'answer'"),
        (WREN.text + "[uplink]\napid = 64\nanswers = false\n", "whose vehicles never answer"),
        (SMALL_TEXT.replace("apid = 9", "apid = 9\nanswers = 0"), "must be true or false"),
    ],
)
def test_that_a_vehicle_never_answers_is_refused_where_it_means_nothing(text: str, sentence: str) -> None:
    with pytest.raises(DictionaryError, match=rf"\[uplink.answers\] .*{sentence}"):
        parse_dictionary(text)


def test_a_vehicle_may_say_that_it_never_answers() -> None:
    assert SMALL.uplink.answers
    text = SMALL_TEXT.replace("[packet.answer]", "[packet.reply]").replace("apid = 9", "apid = 9\nanswers = false")
    assert not parse_dictionary(text).uplink.answers


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    missing = tmp_path / "none.toml"
    with pytest.raises(DictionaryError) as caught:
        load_dictionary(missing)
    assert str(caught.value) == f"{missing}: [file] cannot be read: No such file or directory"
    odd = tmp_path / "odd.toml"
    odd.write_bytes(b"\xff\xfe")
    with pytest.raises(DictionaryError, match=r"\[file\] is not UTF-8 text"):
        load_dictionary(odd)


# ---------------------------------------------------------------- what a good file becomes


def test_the_default_is_the_sandpiper() -> None:
    assert SANDPIPER.vehicle == "Sandpiper" and SANDPIPER.modem_baud == 57600
    assert SANDPIPER.packet_by_apid[16].name == "navigation"
    assert SANDPIPER.command_by_code[0x1E].name == "ping" and SANDPIPER.commands["safe_all"].code == 0
    assert SANDPIPER.uplink.vehicle_id == 1001 and SANDPIPER.is_bound


def test_the_sandpiper_fits_its_modem() -> None:
    """Ten bit times a byte (8N1): the periodic packets must leave room for events and answers."""
    bits_per_s = sum(p.frame_bytes * p.rate_hz * 10 for p in SANDPIPER.packets.values())
    assert 0.3 * SANDPIPER.modem_baud < bits_per_s < 0.95 * SANDPIPER.modem_baud


def test_every_role_an_effect_or_interlock_names_exists() -> None:
    for one in SANDPIPER.commands.values():
        for values in ({a.name: a.low for a in one.args}, {a.name: min(a.high, a.low + 1) for a in one.args}):
            for condition in (*one.interlocks, *one.effects):
                role = condition.role_for(values)
                assert role.startswith("ground.") or SANDPIPER.roles_matching(role), f"{one.name}: {role}"


def test_what_can_hurt_is_hazardous() -> None:
    assert {c.name for c in SANDPIPER.commands.values() if c.hazard == "hazardous"} >= {
        "board_release",
        "channel_arm",
        "channel_fire",
        "recovery_arm",
        "recovery_fire",
    }


def test_a_distance_of_four_is_taken() -> None:
    assert len(parse_dictionary(codes(("a", 0x1E, "hazardous"), ("b", 0x11, "routine"))).commands) == 2


def test_roles_by_pattern() -> None:
    assert SANDPIPER.roles_matching("channel[*].armed") == [f"channel[{n}].armed" for n in (1, 2, 3, 4)]
    assert SANDPIPER.roles_matching("rail[*].current") == [f"rail[{n}].current" for n in ("computer", "camera", "servo")]
    assert SANDPIPER.roles_matching("altitude_baro") == ["altitude_baro"]
    assert SANDPIPER.roles_matching("nothing") == [] and SANDPIPER.roles_matching("nothing[*].x") == []


def test_display_units_reach_the_channel() -> None:
    channel = SANDPIPER.roles["imu_temperature.a"]
    assert (channel.unit, channel.display_unit) == ("K", "degC")
    assert 338.15 * channel.display_scale + channel.display_offset == pytest.approx(65.0)
    assert channel.limits == {"caution_high": 338.15, "warning_high": 353.15}


# ---------------------------------------------------------------- flight rules

POINTS = (
    HEAD
    + """
[packet.state]
apid = 1
fields = [
  { name = "w", type = "f32", role = "attitude_quaternion.w" }, { name = "x", type = "f32", role = "attitude_quaternion.x" },
  { name = "y", type = "f32", role = "attitude_quaternion.y" }, { name = "z", type = "f32", role = "attitude_quaternion.z" },
]
[packet.air]
apid = 2
fields = [ { name = "p", type = "f32", unit = "Pa", role = "pressure" } ]
[flight_rules]
"""
)


def test_flight_rules_are_read_and_decide_no_bytes() -> None:
    plain = parse_dictionary(POINTS.replace("[flight_rules]", ""))
    assert plain.flight_rules == FlightRules()
    assert (plain.flight_rules.tilt_max, plain.flight_rules.height_max) == (None, None)
    read = parse_dictionary(POINTS + "tilt_max = 0.5\ntilt_speed_min = 20\nheight_max = 400\n")
    assert read.flight_rules == FlightRules(tilt_max=0.5, tilt_speed_min=20.0, height_max=400.0)
    assert read.hash32 == plain.hash32


def test_the_sandpipers_tilt_is_the_safety_codes() -> None:
    assert degrees(SANDPIPER.flight_rules.tilt_max) == pytest.approx(30.0, abs=0.001)


@pytest.mark.parametrize(
    ("rules", "sentence"),
    [
        ("tilt_max = 0\n", "[flight_rules.tilt_max] must be above 0 and below 3.1416 rad"),
        ("tilt_max = 30\n", "[flight_rules.tilt_max] must be above 0 and below 3.1416 rad"),
        ("tilt_max = 0.5\ntilt_speed_min = -1\n", "[flight_rules.tilt_speed_min] must not be negative"),
        ("tilt_speed_min = 9\n", "[flight_rules.tilt_speed_min] means nothing without tilt_max"),
        ("height_max = 0\n", "[flight_rules.height_max] must be above zero"),
        ('height_max = "high"\n', "[flight_rules.height_max] must be a number, got 'high'"),
        ("roll_max = 1\n", "[flight_rules.roll_max] unknown key 'roll_max'"),
    ],
)
def test_a_flight_rule_that_cannot_be_meant_is_refused(rules: str, sentence: str) -> None:
    with pytest.raises(DictionaryError) as caught:
        parse_dictionary(POINTS + rules, "mine.toml")
    assert re.sub(r" line \d+:", ":", str(caught.value)) == f"mine.toml: {sentence}"


@pytest.mark.parametrize(
    ("rule", "role", "needs"),
    [
        ("tilt_max = 0.5\n", "attitude_quaternion.y", "the roles attitude_quaternion.w, .x, .y and .z in one packet"),
        ("height_max = 400\n", "pressure", "the role pressure"),
    ],
)
def test_a_flight_rule_nobody_could_watch_is_refused(rule: str, role: str, needs: str) -> None:
    parse_dictionary(POINTS + rule)
    with pytest.raises(DictionaryError, match=f"cannot be watched: it needs {needs}"):
        parse_dictionary(POINTS.replace(f'role = "{role}"', 'description = "lost"') + rule)


# ---------------------------------------------------------------- the hash


SAME_BYTES = [
    ('title = "Turn"', 'title = "Rotate"'),
    ('does = "Turns a thing."', 'does = "Rotates a thing."'),
    ('type = "u32" }', 'type = "u32", unit = "Pa", description = "x", role = "pressure" }'),
    ("rate_hz = 10", "rate_hz = 11"),
    ("[packet.all]", "# a comment\n[packet.all]"),
]
OTHER_BYTES = [
    ("apid = 1\n", "apid = 11\n"),
    ("apid = 9\n", "apid = 10\n"),
    ('type = "u32" }', 'type = "i32" }'),
    ("scale = 0.1,", "scale = 0.2,"),
    ("offset = -40", "offset = -41"),
    ('"off", "on"', '"on", "off"'),
    ('name = "high", bit = 7', 'name = "high", bit = 6'),
    ("width = 12", "width = 11"),
    ("code = 0x10", "code = 0x11"),
    ('name = "thing", type = "u8"', 'name = "thing", type = "u16"'),
    ("scale = 0.0001", "scale = 0.00011"),
    ('type = "text5"', 'type = "text6"'),
]


@pytest.mark.parametrize(("old", "new"), SAME_BYTES)
def test_wording_does_not_change_the_hash(old: str, new: str) -> None:
    assert old in SMALL_TEXT
    assert parse_dictionary(SMALL_TEXT.replace(old, new, 1)).hash32 == SMALL.hash32


@pytest.mark.parametrize(("old", "new"), OTHER_BYTES)
def test_what_decides_the_bytes_changes_the_hash(old: str, new: str) -> None:
    assert old in SMALL_TEXT
    assert parse_dictionary(SMALL_TEXT.replace(old, new, 1)).hash32 != SMALL.hash32


def test_the_hash_fits_the_startup_packet() -> None:
    SANDPIPER.packets["startup"].pack({"boot_id": 1, "dictionary_hash": SANDPIPER.hash32, "firmware": "x"})
