"""[rehearsal] and [stimulus.NAME]: what is read, each mistake in a plain sentence, and the hash that only they change."""

from __future__ import annotations

import pytest

from protocol.dictionary_file import parse_dictionary
from protocol.errors import DictionaryError
from protocol.rehearsal import REHEARSAL_NAME, RehearsalRules
from tests.protocol.helpers import SANDPIPER
from tests.protocol.tables.rehearsed import (
    CHANNEL,
    ENTER,
    HEAD,
    LEAVE,
    PACKETS,
    REASONS,
    RULES,
    rehearsed,
    simulator,
    stimulus,
)

HEIGHT = '{ name = "height", type = "f32", unit = "m", role = "%s" }'


def test_the_sandpiper_is_rehearsed() -> None:
    assert SANDPIPER.rehearsal == RehearsalRules("sensors", ("navigation", "fins", "control"), 1.0, 600.0)
    assert list(SANDPIPER.stimuli) == ["sensors", "fix", "supply"]
    assert {c.name: c.rehearsal for c in SANDPIPER.commands.values() if c.rehearsal} == {
        "simulator_connect": "simulator",
        "rehearsal_enter": "enter",
        "rehearsal_leave": "leave",
    }
    packet = SANDPIPER.packets[REHEARSAL_NAME]
    assert (
        packet.apid == 2045
        and packet.layout.size == 38
        and SANDPIPER.roles["rehearsal.state"].values == ("off", "rehearsing")
    )


def test_what_is_left_out_has_its_default() -> None:
    read = parse_dictionary(rehearsed(commands=ENTER + LEAVE + simulator()))
    assert read.rehearsal == RehearsalRules("sensors", ("state",), 1.0, 600.0, 0.01)
    told = parse_dictionary(rehearsed(rules=RULES + "keep_alive_s = 0.1\nsimulators_s = 3600\ndelay_s = 0.1\n"))
    assert told.rehearsal == RehearsalRules("sensors", ("state",), 0.1, 3600.0, 0.1)


def test_without_stimuli_there_is_no_such_packet() -> None:
    plain = parse_dictionary(HEAD + PACKETS.replace("REASONS", str(list(REASONS))))
    assert plain.rehearsal is None and plain.stimuli == {} and REHEARSAL_NAME not in plain.packets
    assert plain.wires_own == ("identity",)


MISTAKES = {
    "no stimulus": (HEAD + PACKETS.replace("REASONS", "[]") + RULES, "rehearsal: needs at least one [stimulus.NAME]"),
    "no rules": (rehearsed(rules=""), "stimulus: needs the table [rehearsal]"),
    "wire 1": (
        rehearsed().replace("wire = 2\n", "").replace("vehicle_id = 7", "apid = 9"),
        "rehearsal: is for wire version 2",
    ),
    "apid of commands": (rehearsed(more=stimulus(name="more", apid=2045)), "stimulus.more.apid: must be 0..2044"),
    "apid twice": (
        rehearsed(more=stimulus(HEIGHT % "gnss.height", "more")),
        "stimulus.more.apid: 1 is already used by sensors",
    ),
    "role twice": (
        rehearsed(more=stimulus(name="more", apid=2)),
        "stimulus.more.pressure: role 'pressure' is already taken by sensors.pressure",
    ),
    "no role": (rehearsed(fields='{ name = "a", type = "u8" }'), "stimulus.sensors.fields: 'a' needs a role"),
    "an igniter": (
        rehearsed(fields='{ name = "a", type = "bool", role = "channel[1].continuity" }'),
        "'a': the role channel[1].continuity is no sensor's",
    ),
    "a state": (rehearsed(fields=HEIGHT % "velocity.up"), "'height': the role velocity.up is no sensor's"),
    "unknown role": (rehearsed(fields=HEIGHT % "hight"), "'height': the role hight is no sensor's"),
    "a text": (rehearsed(fields='{ name = "a", type = "text4", role = "pressure" }'), "'a' is a text"),
    "too long": (
        rehearsed(fields='{ name = "a", type = "f64[29]", role = "rail[{}].current" }'),
        "stimulus.sensors: is 256 bytes with header and CRC, 254 fit a frame",
    ),
    "a tag": (rehearsed().replace("apid = 1\n", 'apid = 1\ntag = "x"\n'), "stimulus.sensors.tag: unknown key 'tag'"),
    "step": (rehearsed(rules=RULES.replace("sensors", "fix")), "rehearsal.step: must be one of sensors"),
    "no answers": (rehearsed(rules=RULES.replace('["state"]', "[]")), "rehearsal.answers: must name at least one packet"),
    "answers twice": (rehearsed(rules=RULES.replace('["state"]', '["state", "state"]')), "each once"),
    "answers unknown": (rehearsed(rules=RULES.replace('["state"]', '["air"]')), "rehearsal.answers: 'air' is no packet"),
    "answers itself": (rehearsed(rules=RULES.replace('["state"]', '["rehearsal"]')), "'rehearsal' is no packet"),
    "short": (rehearsed(rules=RULES + "keep_alive_s = 0.09\n"), "rehearsal.keep_alive_s: must be 0.1..5 s"),
    "long": (rehearsed(rules=RULES + "keep_alive_s = 5.1\n"), "rehearsal.keep_alive_s: must be 0.1..5 s"),
    "simulators": (rehearsed(rules=RULES + "simulators_s = 3601\n"), "rehearsal.simulators_s: must be 10..3600 s"),
    "at once": (rehearsed(rules=RULES + "delay_s = 0.0009\n"), "rehearsal.delay_s: must be 0.001..0.1 s"),
    "late": (rehearsed(rules=RULES + "delay_s = 0.11\n"), "rehearsal.delay_s: must be 0.001..0.1 s"),
    "a key": (rehearsed(rules=RULES + "keepalive = 1\n"), "rehearsal.keepalive: unknown key"),
    "no enter": (rehearsed(commands=LEAVE), 'rehearsal: needs one command with rehearsal = "enter"'),
    "no leave": (rehearsed(commands=ENTER), 'rehearsal: needs one command with rehearsal = "leave"'),
    "two enter": (
        rehearsed(commands=ENTER + LEAVE + ENTER.replace(".enter]", ".also]").replace("code = 1", "code = 9")),
        "command.also.rehearsal: 'enter' is already what enter does",
    ),
    "enter at once": (
        rehearsed(commands=ENTER.replace("guarded", "routine") + LEAVE),
        "command.enter.hazard: must be guarded",
    ),
    "leave late": (rehearsed(commands=ENTER + LEAVE.replace("routine", "guarded")), "command.leave.hazard: must be routine"),
    "simulator at once": (
        rehearsed(commands=ENTER + LEAVE + simulator(hazard="routine")),
        "command.simulator.hazard: must be guarded",
    ),
    "enter with": (
        rehearsed(commands=f"{ENTER}args = [ {CHANNEL} ]\n{LEAVE}"),
        "command.enter.args: has no arguments where rehearsal",
    ),
    "simulator of what": (rehearsed(commands=ENTER + LEAVE + simulator("")), "needs one argument 'channel' of type u8"),
    "simulator for recovery": (
        rehearsed(commands=ENTER + LEAVE + simulator(CHANNEL.replace("max = 2", "max = 3"))),
        "never counts for a recovery channel",
    ),
    "another kind": (
        rehearsed(commands=ENTER.replace('"enter"', '"begin"') + LEAVE),
        "command.enter.rehearsal: must be one of",
    ),
    "a command alone": (
        HEAD + PACKETS.replace("REASONS", str(list(REASONS))) + ENTER,
        "command.enter.rehearsal: means nothing without [rehearsal]",
    ),
    "the packet": (
        rehearsed(more='[packet.rehearsal]\napid = 9\nfields = [ { name = "a", type = "u8" } ]\n'),
        "packet.rehearsal: belongs to the wire",
    ),
    "its apid": (
        rehearsed(more='[packet.mine]\napid = 2045\nfields = [ { name = "a", type = "u8" } ]\n'),
        "2045 is already used by",
    ),
    **{
        f"reason {reason}": (rehearsed(reasons=tuple(one for one in REASONS if one != reason)), f"has the value '{reason}'")
        for reason in ("not in this build", "not wired", "not in ground test", "continuity")
    },
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_told_where_it_is(name: str) -> None:
    text, told = MISTAKES[name]
    with pytest.raises(DictionaryError) as caught:
        parse_dictionary(text, "small.toml")
    said = f"{caught.value.where}: {caught.value.problem}"
    assert told in said, said


def test_the_hash_counts_what_is_played_and_what_begins_it() -> None:
    first = parse_dictionary(rehearsed())
    others = [
        rehearsed(fields='{ name = "pressure", type = "f64", unit = "Pa", role = "pressure" }'),
        rehearsed(more=stimulus(HEIGHT % "gnss.height", "more", 2)),
        rehearsed(commands=ENTER.replace("code = 1", "code = 5") + LEAVE),
        rehearsed(commands=ENTER + LEAVE + simulator()),
    ]
    hashes = {first.hash32, *(parse_dictionary(text).hash32 for text in others)}
    assert len(hashes) == 1 + len(others)
    wording = rehearsed(rules=RULES + "keep_alive_s = 2\n", fields='{ name = "pressure", type = "f32", role = "pressure" }')
    assert parse_dictionary(wording).hash32 == first.hash32


def test_every_dictionary_without_stimuli_keeps_its_hash() -> None:
    """The hash before there were any, of this very text."""
    assert parse_dictionary(HEAD + PACKETS.replace("REASONS", str(list(REASONS)))).hash32 == 0x380B171E
