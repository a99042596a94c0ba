"""Lines of text by hand: every kind of value, every checksum, everything that is wrong with a line."""

from __future__ import annotations

import math
import random

import pytest

from protocol.errors import ValueRefused
from protocol.events import BytesSkipped, FrameDamaged, PacketReceived, PacketUnknown
from protocol.foreign.framings import foreign_framing
from tests.protocol.foreign.foreign_helpers import VALUES, with_framing
from tests.protocol.helpers import heard, value_key
from tests.server.firmware.agreement import random_double

PLAIN = 'kind = "text"'
CHECKED = 'kind = "text"\nstart = "$"\nchecksum = "xor8"\nseparator = ";"'
BY_HAND = {
    PLAIN: b"ALL,7,-3,525,-300,4000000000,-5,1.5,0.1,fin 3,10\r\n",
    CHECKED: b"$ALL;7;-3;525;-300;4000000000;-5;1.5;0.1;fin 3;10*%02X\r\n",
}


def values_of(data: bytes, framing: str = PLAIN) -> dict[str, object]:
    """Return what a link reads of one line, by name."""
    (event,) = [e for e in heard(with_framing(framing), data) if isinstance(e, PacketReceived)]
    return dict(zip([channel.name for channel in event.packet.channels], event.values, strict=True))


@pytest.mark.parametrize("framing", BY_HAND)
def test_a_line_by_hand(framing: str) -> None:
    line = BY_HAND[framing]
    if b"%" in line:
        check = 0
        for octet in line[1 : line.index(b"*")]:
            check ^= octet
        line %= check
    dictionary = with_framing(framing)
    assert foreign_framing(dictionary).encode("all", VALUES) == line
    assert values_of(line, framing) == VALUES


def test_crc16_in_hexadecimal_of_either_case() -> None:
    """The catalogue's check value: a line that says 123456789."""
    body = '[packet.one]\napid = 1\nfields = [ { name = "n", type = "u32" } ]\n'
    dictionary = with_framing('kind = "text"\nchecksum = "crc16"', body)
    for digits in (b"29B1", b"29b1"):
        assert heard(dictionary, b"123456789*" + digits + b"\n")[-1].values == (123456789.0,)
    assert heard(dictionary, b"123456789*29B2\n") == [FrameDamaged("bad checksum", 15)]
    assert heard(dictionary, b"123456789\n") == [FrameDamaged("bad checksum", 10)]


@pytest.mark.parametrize(
    ("line", "name", "value"),
    [
        ("ALL,0x1F,-3,525,-300,4000000000,-5,1.5,0.1,x,10", "a", 31.0),
        ("ALL, 7 ,+3,525,-300,0,-5,1.5,0.1,x,10", "b", 3.0),
        ("ALL,7,-3,525,-300,0,-5,-.5e2,0.1,x,10", "g", -50.0),
        ("ALL,7,-3,525,-300,0,-5,,0.1,x,10", "g", math.nan),
        ("ALL,7,-3,525,-300,0,-5,NaN,0.1,x,10", "g", math.nan),
        ("ALL,7,-3,525,-300,0,-5,1,-inf,x,10", "h", -math.inf),
        ("ALL,7,-3,525,-300,0,-5,1,5e-324,x,10", "h", 5e-324),
        ("ALL,7,-3,525,-300,0,-5,1,1,,0x0F", "j", 7.0),
        ("ALL,7,-3,525,-300,0,-5,1,1,\xff,10", "k", "\ufffd"),
    ],
)
def test_how_a_value_may_be_written(line: str, name: str, value: object) -> None:
    assert value_key(values_of(line.encode("latin-1") + b"\n")[name]) == value_key(value)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("ALL,7", "all with 1 values"),
        ("ALL,256,-3,525,-300,0,-5,1,1,x,10", "all: 256 does not fit u8"),
        ("ALL,7.0,-3,525,-300,0,-5,1,1,x,10", "all: '7.0' is no whole number"),
        ("ALL,,-3,525,-300,0,-5,1,1,x,10", "all: '' is no whole number"),
        ("ALL,7,-3,525,-300,0,-5,1_0,1,x,10", "all: '1_0' is no number"),
        ("ALL,7,-3,525,-300,0,-5,1,1,x,-1", "all: -1 does not fit bits8"),
    ],
)
def test_what_is_wrong_with_a_line(line: str, reason: str) -> None:
    assert heard(with_framing(PLAIN), line.encode() + b"\n") == [FrameDamaged(reason, len(line) + 1)]


def test_another_tag_is_unknown_and_another_start_is_damage() -> None:
    assert heard(with_framing(PLAIN), b"OTHER,1\n") == [PacketUnknown(-1, 8)]
    assert heard(with_framing('kind = "text"\nstart = "$"'), b"ALL,1\n") == [FrameDamaged("no start", 6)]


def test_empty_lines_are_nothing_and_long_ones_are_dropped() -> None:
    line = BY_HAND[PLAIN]
    events = heard(with_framing(PLAIN), b"\r\n\n" + b"x" * 700 + b"\n" + line, b"y" * 513, b"z\n", line)
    skipped = [event for event in events if isinstance(event, BytesSkipped)]
    assert skipped == [BytesSkipped(701), BytesSkipped(515)]
    assert sum(isinstance(event, PacketReceived) for event in events) == 2


def test_a_text_that_would_end_a_value_is_refused() -> None:
    for text in ("a,b", "a*b", "a\nb"):
        with pytest.raises(ValueRefused):
            foreign_framing(with_framing(PLAIN)).encode("all", {**VALUES, "k": text})


def test_every_double_survives_its_way_through_a_line() -> None:
    rng, dictionary = random.Random(1), with_framing(PLAIN)
    framing = foreign_framing(dictionary)
    for _ in range(300):
        value = random_double(rng)
        line = framing.encode("all", {**VALUES, "h": value})
        assert value_key(values_of(line)["h"]) == value_key(value)
