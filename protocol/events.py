"""What a received stream says, event by event: the results of `Link.next_event`."""

from __future__ import annotations

from dataclasses import dataclass

from protocol.fields import Packet, Value


@dataclass(frozen=True, slots=True)
class PacketReceived:
    """A good packet. `time_ms` is vehicle time, unwrapped, within `epoch` (which counts restarts)."""

    packet: Packet
    count: int
    epoch: int
    time_ms: int
    values: tuple[Value, ...]
    late: bool = False


@dataclass(frozen=True, slots=True)
class FrameDamaged:
    """A frame that cannot be trusted, and why."""

    reason: str
    size: int


@dataclass(frozen=True, slots=True)
class BytesSkipped:
    """A run without a delimiter, too long to be a frame."""

    size: int


@dataclass(frozen=True, slots=True)
class PacketUnknown:
    """A sound frame whose packet the dictionary does not describe."""

    apid: int
    size: int


@dataclass(frozen=True, slots=True)
class SequenceGap:
    """Packets of one type were lost; `missing` is None when the number cannot be known."""

    packet: Packet
    missing: int | None


@dataclass(frozen=True, slots=True)
class PacketRepeated:
    """A packet came twice; it is not delivered again."""

    packet: Packet
    count: int


@dataclass(frozen=True, slots=True)
class CounterWrapped:
    """The sequence count of a packet type went from 16383 to 0: normal, worth counting."""

    packet: Packet


@dataclass(frozen=True, slots=True)
class VehicleRestarted:
    """The vehicle restarted; `boot_id` is None when only its clock told."""

    boot_id: int | None
    epoch: int


@dataclass(frozen=True, slots=True)
class BootIdLearned:
    """The vehicle told which start this is, without having restarted in our hearing."""

    boot_id: int


Event = (
    PacketReceived
    | FrameDamaged
    | BytesSkipped
    | PacketUnknown
    | SequenceGap
    | PacketRepeated
    | CounterWrapped
    | VehicleRestarted
    | BootIdLearned
)
