"""Commands of wire version 2, bound under the tag to one vehicle, one start, one dictionary and a few seconds.

    primary header        type telecommand, no secondary header, APID 2045
    boot id        u64    of the vehicle start this command is meant for; nobody without the key can foretell the next one
    dictionary     u32    hash of the dictionary the sender reads codes and arguments by
    counter        u32    grows for ever; one value names one command
    valid until    u32    vehicle time in ms, modulo 2^32; later it is refused
    code           u8
    arguments             as the dictionary lists them, big-endian
    tag         16 bytes  HMAC-SHA-256 over the word "BH2 command", the vehicle's identity (u32), and everything before it
    CRC-16                then stuffed; a zero before and a zero after

Safe all belongs to the wire, not to a dictionary, and is bound to vehicle and counter only, so that it works when nothing
is known of the vehicle but its key: header (APID 2046), counter, tag over "BH2 safe all", identity and all before it.

The identity does not travel: a frame for another vehicle is one with a wrong tag. Sources: RFC 2104 and RFC 4231 (HMAC),
CCSDS 355.0-B (authentication with an anti-replay sequence number), ECSS-E-ST-70-41C (verification); the window of time
is our choice.
"""

from __future__ import annotations

import hmac
import struct
from dataclasses import dataclass

from protocol.checksum import append_crc
from protocol.commands import COUNTER_MAX, TAG_SIZE, open_telecommand
from protocol.framing import DELIMITER, encode_frame
from protocol.packets import COUNT_MASK, HEADER_SIZE, TIME_MODULUS_MS, PacketType, PrimaryHeader

COMMAND_APID = 0x7FD
SAFE_ALL_APID = 0x7FE
COMMAND_LABEL = b"BH2 command"
SAFE_ALL_LABEL = b"BH2 safe all"
BOOT_LABEL = b"BH2 start"
VEHICLE = struct.Struct(">I")
BOUND_HEAD = struct.Struct(">QIIIB")
COUNTER = struct.Struct(">I")
BOOT_ID_MAX = 0xFFFF_FFFF_FFFF_FFFF
VEHICLE_ID_MAX = 0xFFFF_FFFF
SAFE_ALL_CODE = 0  # in answers; no dictionary can give it to another command
# Our choice: a frame that claims to be good for longer than this was signed by a clock gone wrong. Twice what the station
# asks for, so that a station whose idea of the vehicle's time lags is not refused for it.
VALID_AT_MOST_MS = 10_000


@dataclass(frozen=True, slots=True)
class BoundFrame:
    """A command frame of version 2 taken apart (the tag already checked)."""

    boot_id: int
    dictionary_hash: int
    counter: int
    valid_until_ms: int
    code: int
    args: bytes


@dataclass(frozen=True, slots=True)
class SafeAllFrame:
    """A Safe all taken apart (the tag already checked)."""

    counter: int


def bound_tag(key: bytes, label: bytes, vehicle_id: int, signed: bytes) -> bytes:
    """Return the leftmost 128 bits of HMAC-SHA-256 over label, vehicle and content (RFC 2104)."""
    return hmac.digest(key, label + VEHICLE.pack(vehicle_id) + signed, "sha256")[:TAG_SIZE]


def make_boot_id(key: bytes, starts: int, noise: bytes) -> int:
    """Return the id of a start: the leftmost 64 bits of HMAC over a count of starts and noise; never 0, which means none.

    Either one that never repeats is enough; without the key the next one cannot be foretold from those before.
    """
    digest = hmac.digest(key, BOOT_LABEL + VEHICLE.pack(starts) + noise, "sha256")
    return int.from_bytes(digest[:8], "big") or 1


def build_bound_frame(
    key: bytes,
    vehicle_id: int,
    boot_id: int,
    dictionary_hash: int,
    counter: int,
    valid_until_ms: int,
    code: int,
    args: bytes,
) -> bytes:
    """Return the complete frame of one command; raises ValueError when a number does not fit its field."""
    _check(vehicle_id, counter)
    if not (1 <= boot_id <= BOOT_ID_MAX and 0 <= code <= 0xFF):
        raise ValueError(f"boot id {boot_id} or code {code} out of range")
    body = BOUND_HEAD.pack(boot_id, dictionary_hash, counter, valid_until_ms % TIME_MODULUS_MS, code) + args
    return _sealed(key, COMMAND_LABEL, vehicle_id, COMMAND_APID, counter, body)


def build_safe_all_frame(key: bytes, vehicle_id: int, counter: int) -> bytes:
    """Return the complete frame that makes safe, whatever the vehicle's dictionary, start and clock.

    Raises ValueError when a number does not fit its field.
    """
    _check(vehicle_id, counter)
    return _sealed(key, SAFE_ALL_LABEL, vehicle_id, SAFE_ALL_APID, counter, COUNTER.pack(counter))


def open_bound_frame(key: bytes, vehicle_id: int, encoded: bytes) -> BoundFrame | SafeAllFrame | str:
    """Check and take apart one stuffed uplink frame (without its zeros).

    Returns the frame, or a short reason why it is not a command for this vehicle. The tag is compared in constant time.
    """
    opened = open_telecommand(encoded, HEADER_SIZE + COUNTER.size + TAG_SIZE, (COMMAND_APID, SAFE_ALL_APID))
    if isinstance(opened, str):
        return opened
    header, packet = opened
    signed, tag = packet[:-TAG_SIZE], packet[-TAG_SIZE:]
    label = SAFE_ALL_LABEL if header.apid == SAFE_ALL_APID else COMMAND_LABEL
    if not hmac.compare_digest(bound_tag(key, label, vehicle_id, signed), tag):
        return "wrong tag"
    frame = _taken_apart(signed, header.apid)
    if frame is None:
        return "wrong length"
    if frame.counter & COUNT_MASK != header.count or frame.counter == 0:
        return "wrong count"
    return frame


def is_in_time(valid_until_ms: int, vehicle_ms: int, late_ms: int = 0) -> bool:
    """Tell whether a command that is valid until then may still be obeyed now; both modulo 2^32.

    `late_ms` later is in time too: for a simulated vehicle whose clock runs faster than the world's, and for no other.
    """
    return (valid_until_ms + late_ms - vehicle_ms) % TIME_MODULUS_MS <= VALID_AT_MOST_MS + late_ms


def _taken_apart(signed: bytes, apid: int) -> BoundFrame | SafeAllFrame | None:
    body = signed[HEADER_SIZE:]
    if apid == SAFE_ALL_APID:
        return SafeAllFrame(COUNTER.unpack(body)[0]) if len(body) == COUNTER.size else None
    if len(body) < BOUND_HEAD.size:
        return None
    boot_id, dictionary_hash, counter, valid_until_ms, code = BOUND_HEAD.unpack_from(body)
    return BoundFrame(boot_id, dictionary_hash, counter, valid_until_ms, code, body[BOUND_HEAD.size :])


def _sealed(key: bytes, label: bytes, vehicle_id: int, apid: int, counter: int, body: bytes) -> bytes:
    header = PrimaryHeader(
        type=PacketType.TELECOMMAND,
        secondary=False,
        apid=apid,
        count=counter & COUNT_MASK,
        data_length=len(body) + TAG_SIZE,
    )
    signed = header.pack() + body
    return DELIMITER + encode_frame(append_crc(signed + bound_tag(key, label, vehicle_id, signed)))


def _check(vehicle_id: int, counter: int) -> None:
    if not (1 <= vehicle_id <= VEHICLE_ID_MAX and 1 <= counter <= COUNTER_MAX):
        raise ValueError(f"vehicle id {vehicle_id} or counter {counter} out of range")
