"""Frames for a vehicle on the bench, right ones and wrong ones, on both versions of the wire. No I/O."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from protocol.bound import build_bound_frame, build_safe_all_frame
from protocol.checksum import append_crc
from protocol.commands import HAZARD_DISTANCE, build_command_frame
from protocol.dictionary import Dictionary
from protocol.framing import DELIMITER, decode_frame, encode_frame

# As long as the station itself gives a command; within what a vehicle takes for possible.
VALID_MS = 5000
LATE_MS = 1000
FAR_MS = 3_600_000  # nobody's idea of a few seconds
OTHER_START = 1 << 5  # a bit in the part of a start id that answers tell


@dataclass(frozen=True, slots=True)
class Attempt:
    """One frame and how an answer to it is known: by its counter, and by the start it names where it names one."""

    frame: bytes
    counter: int
    boot_id: int | None

    def is_answered_by(self, boot_id: int, counter: int) -> bool:
        """Tell whether an answer with these numbers is one to this frame; on version 2 it tells 32 bits of the start."""
        return counter == self.counter and (self.boot_id is None or boot_id == self.boot_id & 0xFFFF_FFFF)


@dataclass(frozen=True)
class Signer:
    """Makes frames for the start of the vehicle that is heard; `vehicle_ms` returns the vehicle time of now."""

    dictionary: Dictionary
    key: bytes
    boot_id: int
    vehicle_ms: Callable[[], int]

    def command(
        self,
        counter: int,
        code: int,
        args: bytes,
        *,
        boot_id: int | None = None,
        vehicle_id: int | None = None,
        dictionary_hash: int | None = None,
        valid_ms: int = VALID_MS,
    ) -> Attempt:
        """Return a command, bound to what is heard but for what the arguments say otherwise (version 1: the start only)."""
        start = self.boot_id if boot_id is None else boot_id
        rules = self.dictionary.uplink
        if not self.dictionary.is_bound:
            frame = DELIMITER + build_command_frame(self.key, rules.apid, start, counter, code, args)
            return Attempt(frame, counter, start)
        frame = build_bound_frame(
            self.key,
            rules.vehicle_id if vehicle_id is None else vehicle_id,
            start,
            self.dictionary.hash32 if dictionary_hash is None else dictionary_hash,
            counter,
            self.vehicle_ms() + valid_ms,
            code,
            args,
        )
        return Attempt(frame, counter, start)

    def safe_all(self, counter: int) -> Attempt:
        """Return version 2's Safe all, which names no start."""
        return Attempt(build_safe_all_frame(self.key, self.dictionary.uplink.vehicle_id, counter), counter, None)


def with_wrong_tag(attempt: Attempt) -> bytes:
    """Return its frame with one bit of the tag flipped under a right CRC."""
    packet = bytearray(_content(attempt.frame)[:-2])
    packet[-1] ^= 1
    return DELIMITER + encode_frame(append_crc(bytes(packet)))


def with_wrong_crc(attempt: Attempt) -> bytes:
    """Return its frame with one bit of the CRC flipped."""
    content = bytearray(_content(attempt.frame))
    content[-1] ^= 1
    return DELIMITER + encode_frame(bytes(content))


def unused_code(dictionary: Dictionary) -> int | None:
    """Return a code no command has, as far from every hazardous one as hazardous ones are from the rest."""
    for code in range(1, 0xFF):
        distances = [(code ^ c.code).bit_count() for c in dictionary.commands.values() if c.hazard == "hazardous"]
        if code not in dictionary.command_by_code and min(distances, default=8) >= HAZARD_DISTANCE:
            return code
    return None


def _content(frame: bytes) -> bytes:
    """Return what one of our own frames holds."""
    content = decode_frame(frame.strip(DELIMITER))
    assert content is not None
    return content
