"""Rehearsal: the real flight computer flown on the bench by sensor values over a cable, and the packet that tells of it.

    state       u8    0 off, 1 rehearsing
    ended       u8    why the last one ended: 0 none, 1 left, 2 stimuli stopped, 3 safe all, 4 continuity
    session     u32   counter of the command that began it
    number      u32   of the last stimulus taken
    time_us     u32   time of it, since the rehearsal began
    missed      u32   stimuli whose numbers were skipped
    refused     u32   stimuli dropped
    ordered     u32   a bit for each channel whose firing the output gate refused
    orders      u32   how many firings it refused
    simulators  u32   a bit for each lateral channel with an acknowledged igniter simulator
    cycle_us    u32   greatest time of one control cycle as the firmware tells it, 0 not told

It belongs to the wire and is described in no dictionary; builds for rehearsal send it and no others. Bit i is the i-th of
the lateral channels `channel[1..n]`, then of `recovery[1..m]`, as the dictionary's roles have them. Nothing on this wire
makes an igniter safe: the rules are a second line behind taking it out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from protocol.fields import Channel, Field, Packet

REHEARSAL_APID = 0x7FD
REHEARSAL_NAME = "rehearsal"
STATES = ("off", "rehearsing")
STIMULI_STOPPED = "stimuli stopped"
ENDED = ("none", "left", STIMULI_STOPPED, "safe all", "continuity")
CHANNELS_MAX = 32  # a bit each
REASONS = ("not in this build", "not wired", "not in ground test", "continuity")
RehearsalKind = Literal["enter", "leave", "simulator"]
KINDS: tuple[RehearsalKind, ...] = ("enter", "leave", "simulator")
FIRING_ROLE = re.compile(r"((?:channel|recovery)\[([a-z0-9_]+)\])\.(?:armed|fired|continuity)")

_FIELDS: tuple[tuple[str, str, tuple[str, ...], str], ...] = (
    ("state", "u8", STATES, "Whether it flies on the bench"),
    ("ended", "u8", ENDED, "Why the last rehearsal ended"),
    ("session", "u32", (), "Counter of the command that began it"),
    ("number", "u32", (), "Number of the last stimulus taken"),
    ("time_us", "u32", (), "Time of it since the rehearsal began, in microseconds"),
    ("missed", "u32", (), "Stimuli whose numbers were skipped"),
    ("refused", "u32", (), "Stimuli dropped"),
    ("ordered", "u32", (), "A bit for each channel whose firing was refused"),
    ("orders", "u32", (), "Firings refused"),
    ("simulators", "u32", (), "A bit for each channel with an acknowledged igniter simulator"),
    ("cycle_us", "u32", (), "Greatest time of one control cycle in microseconds, 0 not told"),
)


@dataclass(frozen=True)
class RehearsalRules:
    """How a vehicle is rehearsed: `step` is the stimulus after which it runs one control cycle.

    `answers` are the packets it sends then, in order, the packet `rehearsal` after them. Without a stimulus for
    `keep_alive_s` it ends; an acknowledged igniter simulator counts for `simulators_s`. A flight in which it answers the
    steps later than `delay_s` shows nothing about the flight computer.
    """

    step: str
    answers: tuple[str, ...]
    keep_alive_s: float = 1.0
    simulators_s: float = 600.0
    delay_s: float = 0.01


def rehearsal_packet() -> Packet:
    """Return the packet as a dictionary would describe it."""
    fields = []
    for index, (name, type_, values, said) in enumerate(_FIELDS):
        channel = Channel(
            name=name,
            packet=REHEARSAL_NAME,
            kind="enum" if values else "number",
            field_index=index,
            role=f"{REHEARSAL_NAME}.{name}",
            values=values,
            description=said,
        )
        fields.append(Field(name=name, type=type_, channels=(channel,)))
    return Packet(REHEARSAL_NAME, REHEARSAL_APID, 0.0, "How the rehearsal on the bench goes", tuple(fields), lead=1)


def firing_channels(roles: Iterable[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the lateral and the recovery channels, like `channel[1]`, that a dictionary's roles speak of: bits in order.

    Numbers rise; words come behind them in alphabetical order.
    """
    found = {match[1]: match[2] for match in map(FIRING_ROLE.fullmatch, roles) if match is not None}
    order = sorted(found, key=lambda place: _rising(found[place]))
    lateral = tuple(place for place in order if place.startswith("channel"))
    return lateral, tuple(place for place in order if place.startswith("recovery"))


def _rising(index: str) -> tuple[bool, int, str]:
    return (not index.isdigit(), int(index) if index.isdigit() else 0, index)
