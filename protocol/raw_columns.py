"""Fields of many equal packets at once: their bytes as numpy reads them, and channels in engineering units out of them.

Computed exactly as `Channel.converter` does for one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from protocol.arrays import Floats, Ints
from protocol.fields import Channel, Packet, text_from_bytes
from protocol.wire_types import BOOL, bits_of, is_little, plain_type, text_size

Column = Floats | list[str]


def packet_dtype(packet: Packet) -> np.dtype[np.void]:
    """Return the structure of a packet's field bytes, one entry per field."""
    return np.dtype([(item.name, _numpy_type(item.type)) for item in packet.fields])


def _numpy_type(type_: str) -> str:
    plain = plain_type(type_)
    if plain.startswith(("text", "bytes")):
        return f"{'S' if plain.startswith('text') else 'V'}{text_size(plain)}"
    size = 1 if plain == BOOL else bits_of(plain) // 8
    if size == 3:  # numpy has no 24 bits, as `struct` has none
        return "V3"
    kind = "u" if plain == BOOL or plain.startswith("bits") else plain[0]
    return f"{'<' if is_little(type_) else '>'}{kind}{size}"


def raw_column(fields: NDArray[np.void], packet: Packet, channel: Channel) -> NDArray[np.generic]:
    """Return what a channel's field holds, shape (n,), out of the fields of n packets."""
    field = packet.fields[channel.field_index]
    raw: NDArray[np.generic] = fields[field.name]
    if field.type == BOOL:
        truth: NDArray[np.generic] = raw != np.uint8(0)
        return truth
    if raw.dtype.kind == "V" and not channel.is_bytes:
        return _of_24_bits(np.ascontiguousarray(raw).view(np.uint8), field.type)
    return raw


def _of_24_bits(octets: NDArray[np.uint8], type_: str) -> Ints:
    """Return the numbers of rows of three bytes."""
    rows = octets.reshape(-1, 3).astype(np.int64)
    high, middle, low = (rows[:, i] for i in ((2, 1, 0) if is_little(type_) else (0, 1, 2)))
    whole: Ints = high << 16 | middle << 8 | low
    return whole - ((whole & 0x80_0000) << 1) if type_[0] == "i" else whole


def channel_column(fields: NDArray[np.void], packet: Packet, channel: Channel) -> Column:
    """Return one channel of n packets, its texts or its numbers."""
    if channel.kind == "text":
        values = raw_column(fields, packet, channel).tolist()
        return [value.hex() if channel.is_bytes else text_from_bytes(value) for value in values]
    return number_column(fields, packet, channel)


def number_column(fields: NDArray[np.void], packet: Packet, channel: Channel) -> Floats:
    """Return the numbers of a channel in engineering units, shape (n,)."""
    raw = raw_column(fields, packet, channel)
    if channel.mask:
        top = (channel.mask >> 1) + 1 if channel.signed else 0
        group = raw.astype(np.int64) >> channel.shift & channel.mask
        raw = (group ^ top) - top if top else group
    with np.errstate(invalid="ignore"):  # a signaling NaN from the wire is data, nothing to warn about
        values = raw.astype(np.float64)
    values = values * channel.scale + channel.offset if channel.linear else values
    return values * channel.unit_scale + channel.unit_offset if channel.wire_unit else values
