"""Who speaks on the bench: version of the wire, identity and key, dictionary, start; each said in one line."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Protocol

from protocol.dictionary import Dictionary
from protocol.identity import BUILDS, HASH_ROLE, IDENTITY_APID, Identity
from server.workbench.check_lines import FAULT, OK, OPEN, CheckLine


@dataclass(frozen=True)
class Speaker:
    """An identity packet: what it said, whether our key signed it, the vehicle time in ms and when it arrived."""

    said: Identity
    is_signed: bool
    vehicle_ms: int
    at_s: float


class Listener(Protocol):
    """What was heard: the newest identity, the id of each start, the APIDs that are in no dictionary, the newest values.

    `leads` tells whether a frame began with a zero of its own.
    """

    @property
    def dictionary(self) -> Dictionary:
        """The dictionary it was read by."""
        ...

    @property
    def identity(self) -> Speaker | None:
        """The newest identity packet."""
        ...

    @property
    def starts(self) -> Mapping[int, int]:
        """The id that each start told."""
        ...

    @property
    def leads(self) -> bool:
        """Whether a frame began with a zero."""
        ...

    @property
    def unknown(self) -> set[int]:
        """APIDs that the dictionary does not have."""
        ...

    @property
    def latest(self) -> Mapping[str, float]:
        """The newest value of each channel by its path."""
        ...


def who_lines(bench: Listener) -> Iterator[CheckLine]:
    """Judge who was heard."""
    yield _wire_line(bench)
    if bench.dictionary.is_bound:
        yield _identity_line(bench)
    yield _hash_line(bench)
    yield _start_line(bench)


def _wire_line(bench: Listener) -> CheckLine:
    """Which version of the wire the vehicle speaks: only frames of version 2 begin with a zero of their own."""
    if bench.dictionary.is_bound and bench.identity is not None:
        return CheckLine("wire", OK, "version 2: every command is bound to vehicle, start, dictionary and time")
    if bench.dictionary.is_bound and bench.leads:
        return CheckLine("wire", FAULT, "version 2, but the vehicle does not say who it is, so nothing can be commanded")
    if bench.dictionary.is_bound:
        return CheckLine("wire", FAULT, "the vehicle speaks version 1, this dictionary is of version 2")
    if IDENTITY_APID in bench.unknown:
        return CheckLine("wire", FAULT, "the vehicle speaks version 2, this dictionary is of version 1")
    return CheckLine("wire", OK, "version 1: commands are bound to no vehicle, no dictionary and no time")


def _identity_line(bench: Listener) -> CheckLine:
    if bench.identity is None:
        return CheckLine("identity", FAULT, "not seen: a vehicle of version 2 says every second who it is")
    said, ours = bench.identity.said, bench.dictionary.uplink.vehicle_id
    build = BUILDS[said.build] if said.build < len(BUILDS) else f"build {said.build}"
    if not bench.identity.is_signed:
        return CheckLine("identity", FAULT, "the vehicle holds another command key than this station, and obeys nothing")
    if said.vehicle_id != ours:
        return CheckLine("identity", FAULT, f"this is vehicle {said.vehicle_id}, the dictionary is for vehicle {ours}")
    return CheckLine("identity", OK, f"vehicle {said.vehicle_id}, {build} build, signed with this station's key")


def _hash_line(bench: Listener) -> CheckLine:
    channel = bench.dictionary.roles.get(HASH_ROLE)
    told = bench.latest.get(channel.path) if channel is not None else None
    ours = f"{bench.dictionary.hash32:08x}"
    if told is None and bench.dictionary.is_bound:
        return CheckLine("dictionary", FAULT, "hash not seen: the vehicle does not say from which dictionary it was built")
    if told is None:
        return CheckLine("dictionary", FAULT, "hash not seen: restart the vehicle while this listens")
    if int(told) == bench.dictionary.hash32:
        return CheckLine("dictionary", OK, f"hash {ours} on both ends")
    return CheckLine("dictionary", FAULT, f"the vehicle has hash {int(told):08x}, this dictionary is {ours}")


def _start_line(bench: Listener) -> CheckLine:
    """A start id that comes again makes what was recorded in an earlier start an order again."""
    told = list(bench.starts.values())
    if not told:
        return CheckLine("start id", OPEN, "the vehicle has not told it")
    if told[-1] == 0 and bench.dictionary.is_bound:
        return CheckLine("start id", FAULT, "the vehicle has none, so it obeys nothing but Safe all")
    if len(set(told)) < len(told):
        return CheckLine("start id", FAULT, f"it restarted and has the same again ({told[-1]:x}): it must never repeat")
    if len(told) == 1:
        return CheckLine("start id", OPEN, f"{told[0]:x}; restart the vehicle while this listens to see it change")
    return CheckLine("start id", OK, f"another at each of {len(told)} starts")
