"""What a dictionary that can be read may still get wrong, and what its packets cost on the air.

Findings are faults (it will not work), cautions (look at it) and notes. Capacity is the modem's bits per second over ten:
eight data bits, one start and one stop bit. That a radio should be loaded no more than to 85 % is common
practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches

from protocol.dictionary import Dictionary
from protocol.fields import Channel, Packet
from protocol.foreign.framings import foreign_framing
from protocol.roles import REGISTRY, entry_of, spelled, to_role_unit
from protocol.wire_types import INTEGER_RANGES, text_size
from server.firmware.layout import FirmwareProblem, Layout
from server.flight.link.link_types import BITS_PER_BYTE
from server.telemetry.comparisons import known_roles
from server.workbench.condition_lint import condition_findings, reach
from server.workbench.lint_remark import CAUTION, FAULT, NOTE, LintRemark

LOAD_CAUTION = 0.85
RADIO_FRAME = 128  # longer frames are cut in two by many radio modems (common practice, no source)

# What goes without it, by role; one of several will do.
WANTED_ROLES = (
    (("pressure", "altitude_baro"), "height, climb rate and the flight's phases"),
    (("accel.a.z",), "lift-off and burnout"),
    (("attitude_quaternion.w",), "tilt, azimuth and roll"),
    (("vehicle_phase",), "what the vehicle believes it is doing"),
    (("battery.voltage",), "the battery's state"),
)
WANTED_FOR_COMMANDS = (
    (("boot_id", "startup.boot_id"), "commands: without a boot id none can be addressed"),
    (("uplink.last_counter",), "checking that a command counter is not behind the vehicle's"),
    (("startup.dictionary_hash",), "seeing that both ends were built from one dictionary"),
)


# What the station needs of an answer to a command to know whose it is.
ANSWER_ROLES = ("answer.boot_id", "answer.counter", "answer.stage", "answer.reason")


@dataclass(frozen=True)
class Budget:
    """Bytes on the air: (packet, bytes each, packets per second) of each, and what the modem carries per second."""

    packets: tuple[tuple[str, int, float], ...]
    capacity: float
    estimated: bool

    @property
    def total(self) -> float:
        """Bytes per second of all regular packets."""
        return sum(size * rate for _, size, rate in self.packets)


def link_budget(dictionary: Dictionary) -> Budget:
    """Return what the packets cost; lines of text vary in length and are estimated from middling values."""
    framing = foreign_framing(dictionary)
    sizes = []
    for packet in dictionary.packets.values():
        size = packet.frame_bytes if framing is None else len(framing.encode(packet.name, _middling(packet)))
        sizes.append((packet.name, size, packet.rate_hz))
    is_text = dictionary.framing is not None and dictionary.framing.kind != "binary"
    return Budget(tuple(sizes), dictionary.modem_baud / BITS_PER_BYTE * dictionary.radio.sends, is_text)


def _middling(packet: Packet) -> dict[str, object]:
    """Return values of ordinary length: half of the range where one is declared, else some digits."""
    values: dict[str, object] = {}
    for channel in packet.channels:
        type_ = packet.fields[channel.field_index].type
        if channel.kind == "text":
            size = text_size(type_)
            values[channel.name] = "5a" * size if channel.is_bytes else "x" * (size // 2)
        elif channel.kind in ("enum", "flag") or channel.mask:
            values[channel.name] = channel.scale + channel.offset
        elif type_ in INTEGER_RANGES:
            values[channel.name] = min(INTEGER_RANGES[type_][1], 1234) * channel.scale + channel.offset
        else:
            values[channel.name] = sum(channel.range) / 2 + 0.125 if channel.range else 123.456
    return values


def findings(dictionary: Dictionary) -> Iterator[LintRemark]:
    """Yield everything worth a look, the link budget first."""
    yield from _budget_findings(link_budget(dictionary))
    for packet in dictionary.packets.values():
        yield from _packet_findings(packet, dictionary.radio.frame_max or RADIO_FRAME)
    yield from _role_findings(dictionary)
    yield from registry_findings(dictionary)
    yield from _answer_findings(dictionary)
    yield from _command_findings(dictionary)
    yield from condition_findings(dictionary, known_roles(dictionary))
    yield from _firmware_findings(dictionary)


def _budget_findings(budget: Budget) -> Iterator[LintRemark]:
    load = budget.total / budget.capacity
    text = f"{budget.total:.0f} of {budget.capacity:.0f} bytes per second, {100 * load:.0f} %"
    if load > 1.0:
        yield LintRemark(FAULT, "rates", f"more than the modem carries: {text}")
    elif load > LOAD_CAUTION:
        yield LintRemark(CAUTION, "rates", f"little room for commands and repeats: {text}")


def modem_remarks(dictionary: Dictionary) -> list[str]:
    """Return what a station must be told before it listens: that the regular packets are more than the modem carries.

    Only of our own wire: what lines of text cost is an estimate, and no reason to warn anybody.
    """
    found = _budget_findings(link_budget(dictionary)) if dictionary.framing is None else ()
    return [remark.text for remark in found if remark.severity == FAULT]


def role_remarks(dictionary: Dictionary) -> list[str]:
    """Return what a station must be told of roles before it listens: which it cannot use."""
    found = registry_findings(dictionary)
    return [f"{remark.place}: {remark.text}" for remark in found if remark.severity in (FAULT, CAUTION)]


def _packet_findings(packet: Packet, radio_frame: int) -> Iterator[LintRemark]:
    if packet.frame_bytes > radio_frame:
        text = f"{packet.frame_bytes} bytes: many radio modems cut what is longer than {radio_frame} in two"
        yield LintRemark(CAUTION, f"packet.{packet.name}", text)
    if packet.rate_hz and abs(1000.0 / packet.rate_hz - round(1000.0 / packet.rate_hz)) > 1e-9:
        yield LintRemark(NOTE, f"packet.{packet.name}", f"{packet.rate_hz:g} per second is no whole number of milliseconds")
    for channel in packet.channels:
        yield from _limit_findings(channel, packet.fields[channel.field_index].type)


def _limit_findings(channel: Channel, type_: str) -> Iterator[LintRemark]:
    bounds = reach(channel, type_)
    if bounds is None:
        return
    bounds = (bounds[0] * channel.unit_scale + channel.unit_offset, bounds[1] * channel.unit_scale + channel.unit_offset)
    for name, limit in channel.limits.items():
        if (name.endswith("low") and limit <= bounds[0]) or (name.endswith("high") and limit >= bounds[1]):
            text = f"{name} = {limit:g} can never be passed: the field holds {bounds[0]:g}..{bounds[1]:g}"
            yield LintRemark(CAUTION, f"packet.{channel.path}", text)
    if channel.range is not None and (channel.range[1] < bounds[0] or channel.range[0] > bounds[1]):
        yield LintRemark(
            CAUTION, f"packet.{channel.path}", f"range lies outside what the field holds, {bounds[0]:g}..{bounds[1]:g}"
        )


def _role_findings(dictionary: Dictionary) -> Iterator[LintRemark]:
    wanted = list(WANTED_ROLES)
    if dictionary.commands and dictionary.framing is None and not dictionary.is_bound:
        wanted += WANTED_FOR_COMMANDS  # on wire version 2 the identity packet tells all that
    for roles, without in wanted:
        if not any(role in dictionary.roles for role in roles):
            yield LintRemark(CAUTION, "roles", f"no field has the role {' or '.join(roles)}, so there is no {without}")


def nearest(role: str) -> str | None:
    """Return the role that is spelled most like an unknown one, or None when none is near."""
    index = re.search(r"\[[a-z0-9_]+\]", role)
    known = [name.replace("[n]", index[0] if index else "[1]") for entry in REGISTRY for name in spelled(entry.pattern)]
    found = get_close_matches(role, known, n=1, cutoff=0.6)
    return found[0] if found else None


def registry_findings(dictionary: Dictionary) -> Iterator[LintRemark]:
    """What the registry of roles says: a role nobody uses, of another dimension, or finer than its field."""
    for role, channel in dictionary.roles.items():
        entry, place = entry_of(role), f"packet.{channel.path}"
        if entry is None:
            near = nearest(role)
            meant = f"; the nearest is {near}" if near else ""
            yield LintRemark(CAUTION, place, f"nothing uses the role {role}{meant} (blockhouse dictionary roles lists them)")
        elif (channel.kind == "text") != (entry.shape == "text"):
            yield LintRemark(FAULT, place, f"the role {role} is a {entry.shape}, and this is a {channel.kind}")
        elif channel.kind == "number" and to_role_unit(role, channel.unit) is None:
            text = f"the role {role} is in {entry.unit}, to which {channel.unit} cannot be converted: it is not used"
            yield LintRemark(FAULT, place, text)
        elif channel.kind == "number" and entry.unit not in ("", "1") and not channel.unit and channel.packet != "identity":
            yield LintRemark(CAUTION, place, f"has no unit; the role {role} takes it for {entry.unit}")
    for role in ("gnss.latitude", "gnss.longitude"):
        found = dictionary.roles.get(role)
        if found is not None and dictionary.packets[found.packet].fields[found.field_index].type == "f32":
            text = "a 32-bit float holds degrees to half a meter only; an i32 with scale 1e-7 holds a centimeter"
            yield LintRemark(NOTE, f"packet.{found.path}", text)


def _answer_findings(dictionary: Dictionary) -> Iterator[LintRemark]:
    """Commands whose answers nobody could hear are sent until they count as lost, and nobody is told why."""
    if dictionary.framing is not None or not dictionary.command_by_code or not dictionary.uplink.answers:
        return
    if "answer" not in dictionary.packets and not any(role in dictionary.roles for role in ANSWER_ROLES):
        text = "there are commands and no packet to answer them with; if the vehicle never answers, say answers = false"
        yield LintRemark(FAULT, "uplink.answers", text)
        return
    for role in ANSWER_ROLES:
        if role not in dictionary.roles:
            text = f"no field has the role {role}, so that the vehicle's answers to commands are not understood"
            yield LintRemark(FAULT, "packet.answer", text)


def _firmware_findings(dictionary: Dictionary) -> Iterator[LintRemark]:
    """What `blockhouse firmware` refuses; a vehicle with a framing of its own or without answers has its own firmware."""
    if dictionary.framing is not None:
        return
    try:
        Layout(dictionary)
    except FirmwareProblem as problem:
        severity = FAULT if dictionary.is_bound and dictionary.uplink.answers else NOTE
        yield LintRemark(severity, problem.where, f"no firmware can be made of it: {problem}")


def _command_findings(dictionary: Dictionary) -> Iterator[LintRemark]:
    hazardous = [command for command in dictionary.commands.values() if command.hazard == "hazardous"]
    if hazardous and not any(command.safes_all for command in dictionary.commands.values()):
        yield LintRemark(CAUTION, "command", "there are hazardous commands but none with safes_all = true")
    if hazardous and not dictionary.may_command_hazards:
        yield LintRemark(
            CAUTION, "framing.risk_accepted", "hazardous commands are refused: this format cannot authenticate them"
        )
    for command in hazardous:
        if not command.interlocks:
            yield LintRemark(CAUTION, f"command.{command.name}", "is hazardous and has no interlock")
    for command in dictionary.commands.values():
        if command.hazard != "hazardous" and dictionary.arms(command):
            little = "; one act is too little: it is not sent" if command.hazard == "routine" else ""
            text = f'arms or fires a channel and is {command.hazard}{little}; say hazard = "hazardous"'
            yield LintRemark(FAULT if little else CAUTION, f"command.{command.name}", text)
        if not command.effects:
            yield LintRemark(NOTE, f"command.{command.name}", "has no effect to be verified by")
