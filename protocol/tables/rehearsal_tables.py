"""The [rehearsal] and [stimulus.NAME] tables of a dictionary file, and what they ask of its commands and answers.

Every mistake is a `DictionaryError` that names the place. The keys are described in `WIRE.md`, section 9.
"""

from __future__ import annotations

from collections.abc import Mapping

from protocol.commands import Command
from protocol.dictionary import Dictionary
from protocol.fields import Packet
from protocol.frames import Frames
from protocol.identity import IDENTITY_NAME
from protocol.rehearsal import CHANNELS_MAX, KINDS, REASONS, REHEARSAL_APID, REHEARSAL_NAME, RehearsalRules, firing_channels
from protocol.roles import entry_of
from protocol.stimulus import STIMULUS_CONTENT
from protocol.tables.packet_tables import read_packet
from protocol.toml_table import TomlTable

STIMULUS_APID_MAX = REHEARSAL_APID - 1  # commands and Safe all have the two above
# Never sent in answer to a stimulus: what belongs to commands, to the start, or comes behind the answers anyway.
NO_ANSWERS = (IDENTITY_NAME, REHEARSAL_NAME, "answer")


def read_stimuli(root: TomlTable, frames: Frames, is_bound: bool) -> dict[str, Packet]:
    """Return the stimuli by name; raises DictionaryError."""
    if not root.has("stimulus") and not root.has("rehearsal"):
        return {}
    if not is_bound:
        raise root.problem("is for wire version 2", "rehearsal" if root.has("rehearsal") else "stimulus")
    stimuli = {name: _stimulus(name, table, frames) for name, table in root.named_tables("stimulus")}
    if not stimuli:
        raise root.problem("needs at least one [stimulus.NAME]: what is played to the vehicle", "rehearsal")
    if not root.has("rehearsal"):
        raise root.problem("needs the table [rehearsal]: which stimulus is the step, and what answers it", "stimulus")
    return stimuli


def _stimulus(name: str, table: TomlTable, frames: Frames) -> Packet:
    packet = read_packet(name, table, lead=1, frames=frames, stimulus_head=STIMULUS_CONTENT)
    if packet.apid > STIMULUS_APID_MAX:
        raise table.problem(f"must be 0..{STIMULUS_APID_MAX}: commands have the two above, got {packet.apid}", "apid")
    for channel in packet.channels:
        entry = entry_of(channel.role) if channel.role else None
        if not channel.role:
            raise table.problem(f"'{channel.name}' needs a role: which sensor it stands for", "fields")
        if entry is None or not entry.is_sensor:
            told = f"'{channel.name}': the role {channel.role} is no sensor's, and nothing else can be played"
            raise table.problem(told, "fields")
        if channel.kind == "text":
            raise table.problem(f"'{channel.name}' is a text, and sensors give numbers", "fields")
    return packet


def read_rehearsal(root: TomlTable, stimuli: Mapping[str, Packet], packets: Mapping[str, Packet]) -> RehearsalRules | None:
    """Return the rules of rehearsal, None without them; raises DictionaryError."""
    if not stimuli:
        return None
    table = root.table("rehearsal")
    rules = RehearsalRules(
        step=table.choice("step", tuple(stimuli)),
        answers=table.texts("answers"),
        keep_alive_s=table.get("keep_alive_s", float, RehearsalRules.keep_alive_s),
        simulators_s=table.get("simulators_s", float, RehearsalRules.simulators_s),
        delay_s=table.get("delay_s", float, RehearsalRules.delay_s),
    )
    table.done()
    for name in rules.answers:
        if name not in packets or name in NO_ANSWERS:
            raise table.problem(f"{name!r} is no packet of this dictionary that can answer a stimulus", "answers")
    if not rules.answers or len(set(rules.answers)) != len(rules.answers):
        raise table.problem("must name at least one packet, and each once", "answers")
    if not 0.1 <= rules.keep_alive_s <= 5.0:
        raise table.problem("must be 0.1..5 s", "keep_alive_s")
    if not 10.0 <= rules.simulators_s <= 3600.0:
        raise table.problem("must be 10..3600 s", "simulators_s")
    if not 0.001 <= rules.delay_s <= 0.1:
        raise table.problem("must be 0.001..0.1 s", "delay_s")
    return rules


def check_rehearsal(dictionary: Dictionary, root: TomlTable) -> None:
    """Check what rehearsal asks of stimuli, commands, channels and answers together; raises DictionaryError."""
    told = [command for command in dictionary.commands.values() if command.rehearsal]
    if dictionary.rehearsal is None:
        if told:
            raise root.problem("means nothing without [rehearsal]", f"command.{told[0].name}.rehearsal")
        return
    _check_stimuli(dictionary.stimuli, root)
    for kind in KINDS:
        named = [command.name for command in told if command.rehearsal == kind]
        if kind != "simulator" and not named:
            raise root.problem(f'needs one command with rehearsal = "{kind}"', "rehearsal")
        if len(named) > 1:
            raise root.problem(f"'{kind}' is already what {named[0]} does", f"command.{named[1]}.rehearsal")
    lateral, recovery = firing_channels(dictionary.roles)
    if len(lateral) + len(recovery) > CHANNELS_MAX:
        raise root.problem(f"counts {CHANNELS_MAX} firing channels at most", "rehearsal")
    for command in told:
        _check_command(command, lateral, root)
    reasons = [
        text
        for packet in dictionary.packets.values()
        for c in packet.channels
        if c.path == "answer.reason"
        for text in c.values
    ]
    for reason in REASONS:
        if reason not in reasons:
            raise root.problem(f"needs a packet 'answer' whose field 'reason' has the value '{reason}'", "rehearsal")


def _check_stimuli(stimuli: Mapping[str, Packet], root: TomlTable) -> None:
    apids: dict[int, str] = {}
    roles: dict[str, str] = {}
    for packet in stimuli.values():
        if packet.apid in apids:
            raise root.problem(f"{packet.apid} is already used by {apids[packet.apid]}", f"stimulus.{packet.name}.apid")
        apids[packet.apid] = packet.name
        for channel in packet.channels:
            role = str(channel.role)
            if role in roles:
                raise root.problem(f"role '{role}' is already taken by {roles[role]}", f"stimulus.{channel.path}")
            roles[role] = channel.path


def _check_command(command: Command, lateral: tuple[str, ...], root: TomlTable) -> None:
    hazard, where = "routine" if command.rehearsal == "leave" else "guarded", f"command.{command.name}"
    if command.hazard != hazard:
        raise root.problem(f'must be {hazard} where rehearsal = "{command.rehearsal}"', f"{where}.hazard")
    if command.rehearsal != "simulator":
        if command.args:
            raise root.problem(f'has no arguments where rehearsal = "{command.rehearsal}"', f"{where}.args")
        return
    if [(arg.name, arg.type, arg.scale) for arg in command.args] != [("channel", "u8", 1.0)]:
        raise root.problem("needs one argument 'channel' of type u8", f"{where}.args")
    numbers = range(int(command.args[0].low), int(command.args[0].high) + 1)
    known = {f"channel[{place}]" for place in range(1, len(lateral) + 1)} & set(lateral)
    if not all(f"channel[{number}]" in known for number in numbers) or len(known) != len(lateral):
        told = "takes lateral channels only, which have the roles channel[1], channel[2], ... without a gap"
        raise root.problem(f"{told}; a simulator never counts for a recovery channel", f"{where}.args")
