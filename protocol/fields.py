"""Fields and channels: what one packet holds, and how its bytes become numbers.

A *field* is what the wire carries: an integer or IEEE 754 float, a truth value, a bit set, a fixed-length text or bytes.
A *channel* is what a person sees: one number or text. A plain field is one channel; a bit set is one per bit group.
The engineering value of a number is raw * scale + offset in 64-bit floating point, in the live path and in bulk alike.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import copysign, inf, isfinite
from typing import Any, Literal, SupportsFloat

from protocol.errors import ShortBuffer, ValueRefused
from protocol.frames import AttitudeTurn
from protocol.wire_types import (
    BITS_TYPES,
    F32_OVERFLOW,
    FLOAT_MAX,
    FLOAT_TYPES,
    INTEGER_RANGES,
    FieldBytes,
    Order,
    Raw,
    bytes_of,
    cut_utf8,
    field_bytes,
    halved,
    nearest,
    plain_type,
    text_size,
)

LIMIT_NAMES = ("warning_low", "caution_low", "caution_high", "warning_high")
ChannelKind = Literal["number", "enum", "flag", "text"]
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
    signed: bool = False  # of a bit group: two's complement
    is_bytes: bool = False  # of a text: bytes, told in hexadecimal
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
            return bytes.hex if self.is_bytes else text_from_bytes
        if self.mask:
            return self._group_converter()
        return self._number_converter() or float

    def _number_converter(self) -> Callable[[Any], Value] | None:
        """Return the function from a whole or floating number to the value, None where it is that number."""
        scale, offset, per, more = self.scale, self.offset, self.unit_scale, self.unit_offset
        if self.wire_unit and self.linear:
            return lambda raw: (raw * scale + offset) * per + more
        if self.wire_unit:
            return lambda raw: raw * per + more
        return (lambda raw: raw * scale + offset) if self.linear else None

    def _group_converter(self) -> Callable[[Any], Value]:
        shift, mask, further = self.shift, self.mask, self._number_converter()
        top = (mask >> 1) + 1 if self.signed else 0  # x ^ top - top makes two's complement of `width` bits a number
        if further is None:
            return lambda raw: float((raw >> shift & mask ^ top) - top)
        return lambda raw: further((raw >> shift & mask ^ top) - top)

    def group_range(self) -> tuple[int, int]:
        """Return the least and greatest raw number of a bit group."""
        return (-(self.mask >> 1) - 1, self.mask >> 1) if self.signed else (0, self.mask)

    def on_wire(self, number: float) -> float:
        """Return a value in the unit and along the axis the file declares: what a sender sends."""
        return (number - self.unit_offset) / self.unit_scale if self.wire_unit else number

    def in_declared_unit(self, number: float) -> float:
        """Return a value in the unit the file declares, along the station's axis: what conditions compare with."""
        return self.on_wire(number) * self.sign

    def number_of(self, value: object) -> float:
        """Return the number behind `value`: a number as it is, an enum text by its index; raises ValueRefused."""
        if isinstance(value, str):
            if not value or value not in self.values:
                raise ValueRefused(self.path, value, f"must be one of {', '.join(filter(None, self.values))}")
            return float(self.values.index(value))
        if not isinstance(value, _NUMBERS):
            raise ValueRefused(self.path, value, "must be a number")
        return float(value)

    def text_of(self, number: float) -> str | None:
        """Return the enum text for `number`, or None when it has none."""
        index = int(number) if number == number and abs(number) < 1e9 else -1
        return (self.values[index] or None) if 0 <= index < len(self.values) and index == number else None


def text_from_bytes(raw: bytes) -> str:
    """Return the text of a field: up to the first zero byte, with a mark for what is no UTF-8."""
    return raw.split(b"\0", 1)[0].decode("utf-8", "replace")


@dataclass(frozen=True, kw_only=True)
class Field:
    """One value on the wire: name, type and the channels taken from it.

    `array` is (name, place, length) of the array a field is an element of.
    """

    name: str
    type: str
    channels: tuple[Channel, ...]
    array: tuple[str, int, int] | None = None

    def pack_value(self, values: Mapping[str, object]) -> Raw:
        """Return what struct packs for this field out of channel `values`; raises ValueRefused."""
        if self.type in BITS_TYPES:
            return self._pack_bits(values)
        value = _wanted(values, self.name)
        channel = self.channels[0]
        if channel.kind == "text":
            return bytes_of(value, channel.path, text_size(self.type)) if channel.is_bytes else self._text(value)
        number = channel.on_wire(channel.number_of(value))
        if self.type in FLOAT_TYPES:
            kind = plain_type(self.type)
            told = halved(number) if kind == "f16" else number
            if FLOAT_MAX[kind] < abs(told) and isfinite(number):
                raise ValueRefused(channel.path, number, f"does not fit {kind}")
            return told
        return self._pack_integer(number, channel)

    def _text(self, value: object) -> bytes:
        return cut_utf8(str(value), text_size(self.type))

    @cached_property
    def packer(self) -> Callable[[Mapping[str, object]], Raw]:
        """`pack_value`, with all that does not change from one packet to the next looked up once."""
        slowly, channel = self.pack_value, self.channels[0]
        if self.type in BITS_TYPES:
            return self._bits_packer()
        kind = plain_type(self.type)
        if channel.kind != "number" or channel.wire_unit or kind == "f16":
            return slowly
        name = self.name
        if self.type in FLOAT_TYPES:
            most = FLOAT_MAX[kind]

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
        if any(channel.signed or channel.linear or channel.wire_unit for channel in self.channels):
            return slowly
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
            number = channel.on_wire(channel.number_of(_wanted(values, channel.name)))
            low, high = channel.group_range()
            steps = (number - channel.offset) / channel.scale
            if not low <= steps <= high:  # also refuses NaN
                if isfinite(steps) and channel.linear and low <= round(steps) <= high:
                    steps = round(steps)
                else:
                    raise ValueRefused(channel.path, number, _must_be(channel, low, high))
            word |= ((round(steps) if channel.linear else int(steps)) & channel.mask) << channel.shift
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
        if self.type in BITS_TYPES:
            return self._fitted_bits(values)
        channel, kind = self.channels[0], plain_type(self.type)
        if channel.kind == "text" or kind == "f64":
            return self.pack_value(values), 0
        number = channel.on_wire(channel.number_of(_wanted(values, self.name)))
        if kind == "f16":
            return halved(number), 0
        if kind == "f32":
            return (copysign(inf, number) if abs(number) >= F32_OVERFLOW else number), 0
        return nearest((number - channel.offset) / channel.scale, *INTEGER_RANGES[self.type])

    def _fitted_bits(self, values: Mapping[str, object]) -> tuple[int, int]:
        word = unfit = 0
        for channel in self.channels:
            number = channel.on_wire(channel.number_of(_wanted(values, channel.name)))
            told = (number - channel.offset) / channel.scale
            told = float(int(told)) if isfinite(told) and not channel.linear else told
            steps, missed = nearest(told, *channel.group_range())
            word |= (steps & channel.mask) << channel.shift
            unfit += missed
        return word, unfit


def _wanted(values: Mapping[str, object], name: str) -> object:
    if name not in values:
        raise ValueRefused(name, None, "is missing")
    return values[name]


def _must_be(channel: Channel, low: int, high: int) -> str:
    ends = sorted((low * channel.scale + channel.offset, high * channel.scale + channel.offset))
    return f"must be {ends[0]:g}..{ends[1]:g}" if channel.linear else f"must be {low}..{high}"


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
    def layout(self) -> FieldBytes:
        """The fields' bytes, after the header and the vehicle time."""
        return self.layout_in(">")

    def layout_in(self, order: Order) -> FieldBytes:
        """Return the fields' bytes in a byte order."""
        return field_bytes(tuple(item.type for item in self.fields), order)

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
