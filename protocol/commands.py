"""Commands: what can be asked of the vehicle, and the authenticated frame that asks it.

    primary header        type telecommand, no secondary header, APID of the dictionary's [uplink]
    boot id        u16    of the vehicle start this command is meant for
    counter        u32    grows for ever; one value names one command
    code           u8
    arguments             as the dictionary lists them, big-endian
    tag         16 bytes  HMAC-SHA-256 (RFC 2104, vectors in RFC 4231) over everything before it, leftmost 128 bits
    CRC-16                then stuffed and ended like every frame

The sequence count of the header is the counter modulo 16384, so a retry is the same bytes to the last one.
"""

from __future__ import annotations

import hmac
import re
import struct
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cached_property
from math import isclose
from typing import Literal

from protocol.checksum import append_crc, crc_holds
from protocol.errors import ValueRefused
from protocol.framing import decode_frame, encode_frame
from protocol.packets import COUNT_MASK, HEADER_SIZE, PacketType, PrimaryHeader
from protocol.wire_types import ARGUMENT_CODES, F32_MAX, INTEGER_RANGES

TAG_SIZE = 16
COMMAND_HEAD = struct.Struct(">HIB")
COUNTER_MAX = 0xFFFF_FFFF
KEY_SIZE = 32
Hazard = Literal["routine", "guarded", "hazardous"]
HAZARDS: tuple[Hazard, ...] = ("routine", "guarded", "hazardous")
# Bits in which the code of a hazardous command differs from every other: no error of three bits asks for one.
HAZARD_DISTANCE = 4
ComparisonWord = Literal["equals", "one_of", "at_most", "at_least"]
COMPARISONS: tuple[ComparisonWord, ...] = ("equals", "one_of", "at_most", "at_least")
Scalar = float | str  # a number, the text of an enum, or an {argument}
Operand = Scalar | list[Scalar]
TEMPLATE_PLACE = re.compile(r"\{(\w+)\}")  # where a command's template holds an argument
WIRE_ROUNDING = 2.0**-23  # relative: more than an f32 or one multiplication by the scale rounds


@dataclass(frozen=True, kw_only=True)
class Argument:
    """One argument of a command: a number with its wire type and its allowed range in engineering units."""

    name: str
    type: str
    low: float
    high: float
    unit: str = ""
    display_unit: str = ""
    display_scale: float = 1.0
    display_offset: float = 0.0
    scale: float = 1.0
    values: tuple[str, ...] = ()
    ratio: float = 1.0  # of the linkage: how far the driving part turns for one unit of this argument
    driven_max: float | None = None  # how far the driving part may turn either way

    def raw_of(self, value: object) -> int | float:
        """Return the wire value of engineering `value`; raises ValueRefused when it is no number or out of range."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueRefused(self.name, value, "must be a number")
        if not self.low <= value <= self.high:  # also refuses NaN
            raise ValueRefused(self.name, value, f"must be {self.low:g}..{self.high:g} {self.unit}".rstrip())
        if self.driven_max is not None and abs(value * self.ratio) > self.driven_max * (1 + 1e-9):
            needs = f"the driving part would turn {abs(value * self.ratio):.4g}, it may turn {self.driven_max:.4g}"
            raise ValueRefused(self.name, value, f"{needs} {self.unit}".rstrip())
        if self.type in INTEGER_RANGES:
            raw = round(value / self.scale)
            low, high = INTEGER_RANGES[self.type]
            if not low <= raw <= high or (self.scale == 1.0 and raw != value):
                raise ValueRefused(self.name, value, f"does not fit {self.type}")
            return raw
        if self.type == "f32" and abs(value) > F32_MAX:
            raise ValueRefused(self.name, value, "does not fit f32")
        return float(value)

    def value_of(self, raw: int | float) -> float:
        """Return the engineering value of a wire value.

        A value that differs from a limit only by the wire's own rounding is that limit: 2618 * 0.0001 is not 0.2618 in
        binary, and the vehicle must not refuse the very limit the ground was allowed to send. Whole unscaled numbers
        and f64 are not rounded: one below the greatest u32 is not the greatest.
        """
        value = raw * self.scale if self.scale != 1.0 else raw
        is_rounded = self.scale != 1.0 if self.type in INTEGER_RANGES else self.type == "f32"
        if is_rounded:
            for limit in (self.low, self.high):
                if value != limit and isclose(value, limit, rel_tol=WIRE_ROUNDING):
                    return limit
        return value


@dataclass(frozen=True, kw_only=True)
class Condition:
    """One comparison on one role. Role and operand may hold {argument} places of a command.

    An interlock must hold before a command may leave; an effect must come to hold for it to count as verified.
    """

    name: str
    title: str
    role: str
    comparison: ComparisonWord
    operand: Operand
    within: float = 0.0
    per: str | None = None  # the operand is a list, indexed by this argument
    only_if: Condition | None = None  # an effect that is looked for only while this holds

    def role_for(self, args: Mapping[str, float]) -> str:
        """Return the role with the arguments filled in."""
        return self.role.format_map({name: f"{value:g}" for name, value in args.items()})

    def operand_for(self, args: Mapping[str, float], counter: int = 0) -> Operand:
        """Return the operand with arguments and counter filled in."""
        if self.per is not None and isinstance(self.operand, list):
            return self.operand[int(args[self.per])]
        if isinstance(self.operand, str) and self.operand.startswith("{"):
            return {**args, "counter": counter}[self.operand[1:-1]]
        return self.operand


@dataclass(frozen=True, kw_only=True)
class Command:
    """One thing that can be asked of the vehicle."""

    name: str
    code: int
    hazard: Hazard
    title: str
    does: str
    caution: str | None = None
    safes_all: bool = False
    args: tuple[Argument, ...] = ()
    interlocks: tuple[Condition, ...] = ()
    effects: tuple[Condition, ...] = ()
    rehearsal: str = ""  # "enter", "leave" or "simulator": what it does to a rehearsal
    template: str = ""  # framings other than our own: what is sent

    @cached_property
    def layout(self) -> struct.Struct:
        """The argument bytes."""
        return struct.Struct(">" + "".join(ARGUMENT_CODES[arg.type] for arg in self.args))

    def pack_args(self, values: Mapping[str, object]) -> bytes:
        """Return the argument bytes; raises ValueRefused for a missing, unknown or illegal one."""
        unknown = set(values) - {arg.name for arg in self.args}
        if unknown:
            name = sorted(unknown)[0]
            raise ValueRefused(name, values[name], f"is not an argument of {self.name}")
        for arg in self.args:
            if arg.name not in values:
                raise ValueRefused(arg.name, None, "is missing")
        return self.layout.pack(*[arg.raw_of(values[arg.name]) for arg in self.args])

    def unpack_args(self, data: bytes) -> dict[str, float]:
        """Return argument values of argument bytes; raises ValueRefused when length or a value is not allowed."""
        if len(data) != self.layout.size:
            raise ValueRefused(self.name, len(data), f"needs {self.layout.size} argument bytes")
        values = {arg.name: arg.value_of(raw) for arg, raw in zip(self.args, self.layout.unpack(data), strict=True)}
        self.pack_args(values)
        return values

    def args_text(self, values: Mapping[str, float]) -> str:
        """Return the arguments as a person reads them, for example "camera 2, on"."""
        return ", ".join(_arg_text(arg, values[arg.name]) for arg in self.args)


def operand_of(raw: object) -> Operand | None:
    """Return what TOML gave for a comparison if it is a number, a text or a list of these, else None."""
    if isinstance(raw, int | float | str):
        return raw
    if isinstance(raw, list):
        items = [item for item in raw if isinstance(item, int | float | str)]
        return items if len(items) == len(raw) else None
    return None


def _arg_text(arg: Argument, value: float) -> str:
    if arg.values and 0 <= int(value) < len(arg.values):
        return arg.values[int(value)]
    shown = value * arg.display_scale + arg.display_offset
    return f"{arg.name} {shown:.4g} {arg.display_unit}".rstrip()


@dataclass(frozen=True, slots=True)
class CommandFrame:
    """An uplink frame taken apart (the tag already checked)."""

    boot_id: int
    counter: int
    code: int
    args: bytes


def command_tag(key: bytes, data: bytes) -> bytes:
    """Return the leftmost 128 bits of HMAC-SHA-256 of `data` (RFC 2104 section 5 advises not less than half)."""
    return hmac.digest(key, data, "sha256")[:TAG_SIZE]


def build_command_frame(key: bytes, apid: int, boot_id: int, counter: int, code: int, args: bytes) -> bytes:
    """Return the complete frame of one command.

    Raises ValueError when boot id, counter or code do not fit their fields.
    """
    if not (0 <= boot_id <= 0xFFFF and 1 <= counter <= COUNTER_MAX and 0 <= code <= 0xFF):
        raise ValueError(f"boot id {boot_id}, counter {counter} or code {code} out of range")
    body = COMMAND_HEAD.pack(boot_id, counter, code) + args
    header = PrimaryHeader(
        type=PacketType.TELECOMMAND,
        secondary=False,
        apid=apid,
        count=counter & COUNT_MASK,
        data_length=len(body) + TAG_SIZE,
    )
    signed = header.pack() + body
    return encode_frame(append_crc(signed + command_tag(key, signed)))


def open_telecommand(encoded: bytes, shortest: int, apids: Collection[int]) -> tuple[PrimaryHeader, bytes] | str:
    """Check all of one stuffed uplink frame (without delimiter) that needs no key; both versions of the wire begin so.

    Returns its header and the packet without CRC, `shortest` bytes at least, or a short reason why it is no command for us.
    """
    content = decode_frame(encoded)
    if content is None:
        return "bad stuffing"
    if not crc_holds(content):
        return "bad checksum"
    packet = content[:-2]
    if len(packet) < shortest:
        return "too short"
    header = PrimaryHeader.unpack(packet)
    expected = PrimaryHeader(
        type=PacketType.TELECOMMAND,
        secondary=False,
        apid=header.apid,
        count=header.count,
        data_length=len(packet) - HEADER_SIZE,
    )
    if header != expected or header.apid not in apids:
        return "not a command for this vehicle"
    return header, packet


def open_command_frame(key: bytes, apid: int, encoded: bytes) -> CommandFrame | str:
    """Check and take apart one stuffed uplink frame (without delimiter).

    Returns the frame, or a short reason why it is not a command for us. The tag is compared in constant time.
    """
    opened = open_telecommand(encoded, HEADER_SIZE + COMMAND_HEAD.size + TAG_SIZE, (apid,))
    if isinstance(opened, str):
        return opened
    header, packet = opened
    signed, tag = packet[:-TAG_SIZE], packet[-TAG_SIZE:]
    if not hmac.compare_digest(command_tag(key, signed), tag):
        return "wrong tag"
    boot_id, counter, code = COMMAND_HEAD.unpack_from(signed, HEADER_SIZE)
    if counter & COUNT_MASK != header.count or counter == 0:
        return "wrong count"
    return CommandFrame(boot_id, counter, code, signed[HEADER_SIZE + COMMAND_HEAD.size :])
