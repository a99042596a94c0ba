"""Who is speaking: the packet that every vehicle of wire version 2 sends every second, whatever its dictionary.

    wire             u8    2
    build            u8    0 flight, 1 rehearsal
    vehicle          u32   the vehicle's identity
    dictionary_hash  u32   of the dictionary it was built from
    boot_high, _low  u64   id of this start; 0: it has none, and obeys nothing but Safe all
    last_counter     u32   of the last command it took
    safed_counter    u32   of the last Safe all it carried out in this start, 0 none
    tag_high, _low   u64   leftmost 64 bits of HMAC-SHA-256 over "BH2 identity", the vehicle time and everything before

The tag lets the station believe the vehicle's clock: commands run out by it. The rest of telemetry is not authenticated.
"""

from __future__ import annotations

import hmac
import struct
from collections.abc import Sequence
from dataclasses import dataclass

from protocol.fields import Channel, Field, Packet, Value
from protocol.packets import TIME, TIME_MODULUS_MS

WIRE = 2
IDENTITY_APID = 0x7FE
IDENTITY_NAME = "identity"
IDENTITY_LABEL = b"BH2 identity"
BUILDS = ("flight", "rehearsal")
BOOT_HIGH_ROLE, BOOT_LOW_ROLE = "identity.boot_high", "identity.boot_low"
HASH_ROLE = "startup.dictionary_hash"
SIGNED = struct.Struct(">BBIIQII")
TAG = struct.Struct(">Q")

_FIELDS = (
    ("wire", "u8", None, "Version of the wire"),
    ("build", "u8", "identity.build", "What the firmware was built for"),
    ("vehicle", "u32", "identity.vehicle", "Identity of the vehicle"),
    ("dictionary_hash", "u32", HASH_ROLE, "Hash of the dictionary it was built from"),
    ("boot_high", "u32", BOOT_HIGH_ROLE, "Id of this start, upper half"),
    ("boot_low", "u32", BOOT_LOW_ROLE, "Id of this start, lower half"),
    ("last_counter", "u32", "identity.last_counter", "Counter of the last command taken"),
    ("safed_counter", "u32", "identity.safed_counter", "Counter of the last Safe all carried out in this start"),
    ("tag_high", "u32", "identity.tag_high", "Tag, upper half"),
    ("tag_low", "u32", "identity.tag_low", "Tag, lower half"),
)


@dataclass(frozen=True, slots=True)
class Identity:
    """What an identity packet says. `boot_id` has 64 bits, `tag` too."""

    build: int
    vehicle_id: int
    dictionary_hash: int
    boot_id: int
    last_counter: int
    safed_counter: int
    tag: int = 0

    def signed_by(self, key: bytes, vehicle_ms: int) -> bool:
        """Tell whether who sent this at that vehicle time holds the key; compared in constant time."""
        return hmac.compare_digest(TAG.pack(self.tag), TAG.pack(identity_tag(key, self, vehicle_ms)))

    def values(self, key: bytes, vehicle_ms: int) -> dict[str, int]:
        """Return the channel values of the packet, with the tag of that vehicle time."""
        tag = identity_tag(key, self, vehicle_ms)
        return {
            "wire": WIRE,
            "build": self.build,
            "vehicle": self.vehicle_id,
            "dictionary_hash": self.dictionary_hash,
            "boot_high": self.boot_id >> 32,
            "boot_low": self.boot_id & 0xFFFF_FFFF,
            "last_counter": self.last_counter,
            "safed_counter": self.safed_counter,
            "tag_high": tag >> 32,
            "tag_low": tag & 0xFFFF_FFFF,
        }

    @staticmethod
    def of(values: Sequence[Value]) -> Identity:
        """Return what the channel values of one packet say."""
        n = {name: int(value) for (name, _, _, _), value in zip(_FIELDS, values, strict=True)}
        return Identity(
            build=n["build"],
            vehicle_id=n["vehicle"],
            dictionary_hash=n["dictionary_hash"],
            boot_id=n["boot_high"] << 32 | n["boot_low"],
            last_counter=n["last_counter"],
            safed_counter=n["safed_counter"],
            tag=n["tag_high"] << 32 | n["tag_low"],
        )


def identity_tag(key: bytes, said: Identity, vehicle_ms: int) -> int:
    """Return the tag of an identity packet sent at that vehicle time (ms, taken modulo 2^32)."""
    numbers = (said.vehicle_id, said.dictionary_hash, said.boot_id, said.last_counter, said.safed_counter)
    content = TIME.pack(vehicle_ms % TIME_MODULUS_MS) + SIGNED.pack(WIRE, said.build, *numbers)
    tag: int = TAG.unpack(hmac.digest(key, IDENTITY_LABEL + content, "sha256")[: TAG.size])[0]
    return tag


def identity_packet() -> Packet:
    """Return the packet as a dictionary would describe it."""
    fields = []
    for index, (name, type_, role, said) in enumerate(_FIELDS):
        is_enum = name == "build"
        channel = Channel(
            name=name,
            packet=IDENTITY_NAME,
            kind="enum" if is_enum else "number",
            field_index=index,
            role=role,
            values=BUILDS if is_enum else (),
            description=said,
        )
        fields.append(Field(name=name, type=type_, channels=(channel,)))
    return Packet(IDENTITY_NAME, IDENTITY_APID, 1.0, "Who is speaking, and by which dictionary", tuple(fields), lead=1)
