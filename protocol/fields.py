"""Fields and channels: what one packet holds, and how its bytes become numbers.

A *field* is what the wire carries: a big-endian integer or IEEE 754 float, a bit set, or a fixed-length text.
A *channel* is what a person sees: one number or text. A plain field is one channel; a bit set is one per bit group.
The engineering value of a number is raw * scale + offset in 64-bit floating point, in the live path and in bulk alike.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import copysign, inf, isfinite, isnan
from typing import Any, Literal, SupportsFloat

from protocol.errors import ShortBuffer, ValueRefused
from protocol.frames import AttitudeTurn

NUMBER_CODES = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f", "f64": "d"}
BITS_CODES = {"bits8": "B", "bits16": "H", "bits32": "I"}
INTEGER_RANGES = {
    **{f"u{n}": (0, 2**n - 1) for n in (8, 16, 32)},
    **{f"i{n}": (-(2 ** (n - 1)), 2 ** (n - 1) - 1) for n in (8, 16, 32)},
}
F32_MAX: float = struct.unpack(">f", b"\x7f\x7f\xff\xff")[0]
F32_OVERFLOW = 2.0**128 - 2.0**103  # from here on IEEE 754 rounds to infinity: half a step above the greatest
LIMIT_NAMES = ("warning_low", "caution_low", "caution_high", "warning_high")
ChannelKind = Literal["number", "enum", "flag", "text"]
Raw = float | bytes  # what a field holds, before scale, offset and bit groups
Value = float | str
_NUMBERS = (float, int, SupportsFloat)  # numpy's are the last; a union built at each call would cost a fifth of packing


@dataclass(frozen=True, kw_only=True)
class Channel:
    """One number or text that a person sees, and how it is taken out of its field."""

    name: str
    packet: str
    kind: ChannelKind
    field_index: int
    unit: str = ""
    display_unit: str = ""
    display_scale: float = 1.0
    display_offset: float = 0.0
    scale: float = 1.0
    offset: float = 0.0
    linear: bool = False  # raw * scale + offset applies
    wire_unit: str = ""  # what the file declares, where the role's unit is another one
    unit_scale: float = 1.0  # from there to `unit`
    unit_offset: float = 0.0
    sign: float = 1.0  # -1 where the vehicle's axis is the station's reversed; within unit_scale
    shift: int = 0
    mask: int = 0  # not zero: a bit group
    role: str | None = None
    values: tuple[str, ...] = ()
    limits: Mapping[str, float] = field(default_factory=dict)
    range: tuple[float, float] | None = None
    sensor_range: tuple[float, float] | None = None
    description: str = ""
    label: str | None = None

    @property
    def path(self) -> str:
        """The channel's full name, packet.channel."""
        return f"{self.packet}.{self.name}"

    def converter(self) -> Callable[[Any], Value]:
        """Return the function from the field's raw value to this channel's value.

        It takes bytes of a text, an int of a bit group, else a number: what `struct` makes of the field, unchecked.
        """
        if self.kind == "text":
            return text_from_bytes
        if self.mask:
            shift, mask = self.shift, self.mask
            return lambda raw: float(raw >> shift & mask)
        if self.wire_unit:
            inner, per, more = (self.scale, self.offset) if self.linear else (1.0, 0.0), self.unit_scale, self.unit_offset
            return lambda raw: (raw * inner[0] + inner[1]) * per + more
        if self.linear:
            scale, offset = self.scale, self.offset
            return lambda raw: raw * scale + offset
        return float

    def on_wire(self, number: float) -> float:
        """Return a value in the unit and along the axis the file declares: what a sender sends."""
        return (number - self.unit_offset) / self.unit_scale if self.wire_unit else number

    def in_declared_unit(self, number: float) -> float:
        """Return a value in the unit the file declares, along the station's axis: what conditions compare with."""
        return self.on_wire(number) * self.sign

    def number_of(self, value: object) -> float:
        """Return the number behind `value`: a number as it is, an enum text by its index; raises ValueRefused."""
        if isinstance(value, str):
            if value not in self.values:
                raise ValueRefused(self.path, value, f"must be one of {', '.join(self.values)}")
            return float(self.values.index(value))
        if not isinstance(value, _NUMBERS):
            raise ValueRefused(self.path, value, "must be a number")
        return float(value)

    def text_of(self, number: float) -> str | None:
        """Return the enum text for `number`, or None when it has none."""
        index = int(number) if number == number and abs(number) < 1e9 else -1
        return self.values[index] if 0 <= index < len(self.values) and index == number else None


def text_from_bytes(raw: bytes) -> str:
    """Return the text of a field: up to the first zero byte, with a mark for what is no UTF-8."""
    return raw.split(b"\0", 1)[0].decode("utf-8", "replace")


@dataclass(frozen=True, kw_only=True)
class Field:
    """One value on the wire: name, type and the channels taken from it."""

    name: str
    type: str
    channels: tuple[Channel, ...]

    @property
    def code(self) -> str:
        """The field's letter in Python's struct notation."""
        if self.type.startswith("text"):
            return f"{self.type[4:]}s"
        return NUMBER_CODES.get(self.type) or BITS_CODES[self.type]

    def pack_value(self, values: Mapping[str, object]) -> Raw:
        """Return what struct packs for this field out of channel `values`; raises ValueRefused."""
        if self.type in BITS_CODES:
            return self._pack_bits(values)
        value = _wanted(values, self.name)
        channel = self.channels[0]
        if channel.kind == "text":
            return _cut_utf8(str(value), int(self.type[4:]))
        number = channel.on_wire(channel.number_of(value))
        if self.type in ("f32", "f64"):
            if self.type == "f32" and F32_MAX < abs(number) < float("inf"):
                raise ValueRefused(channel.path, number, "does not fit f32")
            return number
        return self._pack_integer(number, channel)

    @cached_property
    def packer(self) -> Callable[[Mapping[str, object]], Raw]:
        """`pack_value`, with all that does not change from one packet to the next looked up once."""
        slowly, channel = self.pack_value, self.channels[0]
        if self.type in BITS_CODES:
            return self._bits_packer()
        if channel.kind != "number" or channel.wire_unit or self.type.startswith("text"):
            return slowly
        name = self.name
        if self.type in ("f32", "f64"):
            most = F32_MAX if self.type == "f32" else inf

            def pack_float(values: Mapping[str, object]) -> Raw:
                value = values.get(name)
                return value if type(value) is float and -most <= value <= most else slowly(values)

            return pack_float
        offset, scale = channel.offset, channel.scale
        low, high = INTEGER_RANGES[self.type]

        def pack_integer(values: Mapping[str, object]) -> Raw:
            value = values.get(name)
            if type(value) is float:
                steps = (value - offset) / scale
                if low <= steps <= high:
                    return round(steps)
            return slowly(values)  # also refuses what does not fit

        return pack_integer

    def _bits_packer(self) -> Callable[[Mapping[str, object]], Raw]:
        slowly = self._pack_bits
        groups = [(channel.name, channel.mask, channel.shift) for channel in self.channels]

        def pack_bits(values: Mapping[str, object]) -> Raw:
            word = 0
            for name, mask, shift in groups:
                value = values.get(name)
                if type(value) is not int or not 0 <= value <= mask:
                    return slowly(values)
                word |= value << shift
            return word

        return pack_bits

    def _pack_bits(self, values: Mapping[str, object]) -> int:
        word = 0
        for channel in self.channels:
            number = channel.number_of(_wanted(values, channel.name))
            if not 0 <= number <= channel.mask:  # also refuses NaN
                raise ValueRefused(channel.path, number, f"must be 0..{channel.mask}")
            word |= int(number) << channel.shift
        return word

    def _pack_integer(self, number: float, channel: Channel) -> int:
        if not isfinite(number):
            raise ValueRefused(channel.path, number, "an integer field cannot hold a non-finite number")
        steps = (number - channel.offset) / channel.scale
        low, high = INTEGER_RANGES[self.type]
        if not isfinite(steps) or not low <= round(steps) <= high:
            raise ValueRefused(channel.path, number, f"does not fit {self.type}")
        return round(steps)

    def fitted_value(self, values: Mapping[str, object]) -> tuple[Raw, int]:
        """Return what a vehicle sends for channel `values`, and how many of them did not fit.

        The nearest that fits goes in place of a value that does not; in place of what is not a number the value farthest
        from zero, all ones in an unsigned field and the lowest in a signed one, which no limit takes for healthy. Floats
        carry infinity. Raises ValueRefused for a value that is missing, or a text that is none of the enum's.
        """
        if self.type in BITS_CODES:
            return self._fitted_bits(values)
        if self.type.startswith("text") or self.type == "f64":
            return self.pack_value(values), 0
        number = self.channels[0].on_wire(self.channels[0].number_of(_wanted(values, self.name)))
        if self.type == "f32":
            return (copysign(inf, number) if abs(number) >= F32_OVERFLOW else number), 0
        channel = self.channels[0]
        return _nearest((number - channel.offset) / channel.scale, *INTEGER_RANGES[self.type])

    def _fitted_bits(self, values: Mapping[str, object]) -> tuple[int, int]:
        word = unfit = 0
        for channel in self.channels:
            number = channel.number_of(_wanted(values, channel.name))
            steps, missed = _nearest(float(int(number)) if isfinite(number) else number, 0, channel.mask)
            word |= steps << channel.shift
            unfit += missed
        return word, unfit


def _nearest(steps: float, low: int, high: int) -> tuple[int, int]:
    """Return the whole number from low to high for `steps`, halves to even, and 1 if it is not what was asked for."""
    if isnan(steps):
        return (low if low < 0 else high), 1
    if steps in (inf, -inf) or not low <= round(steps) <= high:
        return (low if steps < 0.0 else high), 1
    return round(steps), 0


def _wanted(values: Mapping[str, object], name: str) -> object:
    if name not in values:
        raise ValueRefused(name, None, "is missing")
    return values[name]


def _cut_utf8(text: str, size: int) -> bytes:
    """Cut at a character boundary, so that a long text loses letters, never validity."""
    return text.encode("utf-8")[:size].decode("utf-8", "ignore").encode("utf-8")


@dataclass(frozen=True)
class Packet:
    """One downlink packet: its fields in wire order. Values go in and out by channel name or in channel order."""

    name: str
    apid: int
    rate_hz: float
    description: str
    fields: tuple[Field, ...]
    tag: str = ""  # framings other than our own: the line's first value, fields of time and count
    time: str = ""
    count: str = ""
    lead: int = 0  # zeros before its frame: 1 on wire version 2
    attitude: tuple[tuple[int, int, int, int], AttitudeTurn] | None = None  # which channels are turned together, and how

    @cached_property
    def channels(self) -> tuple[Channel, ...]:
        """All channels, in wire order."""
        return tuple(channel for item in self.fields for channel in item.channels)

    @cached_property
    def channel_names(self) -> tuple[str, ...]:
        """The names of all channels, in wire order."""
        return tuple(channel.name for channel in self.channels)

    @cached_property
    def has_texts(self) -> bool:
        """Whether a channel is a text."""
        return any(channel.kind == "text" for channel in self.channels)

    @cached_property
    def layout(self) -> struct.Struct:
        """The fields' bytes, after the header and the vehicle time."""
        return struct.Struct(">" + "".join(item.code for item in self.fields))

    @cached_property
    def _plan(self) -> tuple[tuple[int, Callable[[Any], Value]], ...]:
        return tuple((channel.field_index, channel.converter()) for channel in self.channels)

    @cached_property
    def _packers(self) -> tuple[Callable[[Mapping[str, object]], Raw], ...]:
        return tuple(item.packer for item in self.fields)

    @cached_property
    def frame_bytes(self) -> int:
        """Bytes of one whole frame on the wire: leading zero, header 6, time 4, fields, CRC 2, stuffing 1, delimiter 1."""
        return self.lead + 6 + 4 + self.layout.size + 2 + 2

    def pack(self, values: Mapping[str, object]) -> bytes:
        """Return the field bytes for channel `values` in engineering units; raises ValueRefused."""
        return self.layout.pack(*self.raw_of(values))

    def raw_of(self, values: Mapping[str, object]) -> list[Raw]:
        """Return one raw value per field for channel `values` in engineering units; raises ValueRefused."""
        told = self._as_told(values)
        return [pack(told) for pack in self._packers]

    def _as_told(self, values: Mapping[str, object]) -> Mapping[str, object]:
        """Return the values with the attitude as the vehicle counts it."""
        if self.attitude is None:
            return values
        names = [self.channels[index].name for index in self.attitude[0]]
        w, x, y, z = (self.channel(name).number_of(_wanted(values, name)) for name in names)
        return {**values, **dict(zip(names, self.attitude[1].undone((w, x, y, z)), strict=True))}

    def pack_fitted(self, values: Mapping[str, object]) -> tuple[bytes, int]:
        """Return the field bytes a vehicle sends for channel `values`, and how many of them did not fit their field.

        See `Field.fitted_value`. Raises ValueRefused for a value that is missing or no number at all.
        """
        try:
            return self.pack(values), 0
        except ValueRefused:  # seldom, so that packing what fits costs nothing more
            told = self._as_told(values)
            fitted = [item.fitted_value(told) for item in self.fields]
        return self.layout.pack(*[raw for raw, _ in fitted]), sum(unfit for _, unfit in fitted)

    def unpack(self, data: bytes, offset: int = 0) -> tuple[Value, ...]:
        """Return the channel values, in channel order, of field bytes at `offset`; raises ShortBuffer."""
        if len(data) - offset < self.layout.size:
            raise ShortBuffer(f"packet {self.name}", self.layout.size, len(data) - offset)
        return self.values_of(self.layout.unpack_from(data, offset))

    def values_of(self, raw: Sequence[Raw]) -> tuple[Value, ...]:
        """Return the channel values of one raw value per field."""
        values = tuple([convert(raw[index]) for index, convert in self._plan])
        return values if self.attitude is None else self._turned(values, *self.attitude)

    @staticmethod
    def _turned(values: tuple[Value, ...], places: tuple[int, int, int, int], turn: AttitudeTurn) -> tuple[Value, ...]:
        w, x, y, z = (float(values[place]) for place in places)
        out = list(values)
        for place, value in zip(places, turn.of((w, x, y, z)), strict=True):
            out[place] = value
        return tuple(out)

    def channel(self, name: str) -> Channel:
        """Return a channel by name; raises KeyError."""
        for channel in self.channels:
            if channel.name == name:
                return channel
        raise KeyError(f"{self.name}.{name}")
