"""What both formats share: time, counts, restarts and loss through the link; live and bulk alike; mistakes named."""

from __future__ import annotations

import random

import pytest

from protocol.bulk import decode_stream
from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.errors import DictionaryError, OurMistake, ValueRefused
from protocol.events import BootIdLearned, BytesSkipped, FrameDamaged, PacketReceived, SequenceGap, VehicleRestarted
from protocol.foreign.binary_records import BinaryRecords
from protocol.foreign.framings import foreign_framing
from protocol.foreign.text_lines import TextLines
from protocol.link import Link
from tests.protocol.foreign.foreign_helpers import FIELDS, PLOVER, SAMPLES, WREN, traffic, with_framing
from tests.protocol.helpers import SANDPIPER, event_key, events_of, keys_of, random_chunks


@pytest.mark.parametrize("dictionary", SAMPLES.values(), ids=SAMPLES)
def test_clean_traffic_is_heard_whole_whatever_the_chunks(dictionary: Dictionary) -> None:
    data = b"".join(traffic(dictionary, 400))
    whole = events_of(Link(dictionary), [data])
    assert whole[0] == BootIdLearned(0) and sum(isinstance(e, PacketReceived) for e in whole) == 400 == len(whole) - 1
    for seed in range(5):
        assert keys_of(events_of(Link(dictionary), random_chunks(data, random.Random(seed)))) == keys_of(whole)
    assert keys_of(events_of(Link(dictionary), [bytes([octet]) for octet in data])) == keys_of(whole)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("dictionary", SAMPLES.values(), ids=SAMPLES)
def test_damaged_traffic_live_and_bulk_say_the_same(dictionary: Dictionary, seed: int) -> None:
    rng = random.Random(seed)
    pieces = traffic(dictionary, 200, seed)
    for _ in range(40):
        at = rng.randrange(len(pieces))
        kind = rng.randrange(4)
        if kind == 0:
            pieces[at] = b""
        elif kind == 1 and pieces[at]:
            damaged = bytearray(pieces[at])
            damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
            pieces[at] = bytes(damaged)
        elif kind == 2:
            pieces[at] = rng.randbytes(rng.randrange(30)) + pieces[at]
        else:
            pieces[at] = pieces[at][: rng.randrange(len(pieces[at]) + 1)]
    data = b"".join(pieces)
    live = keys_of(events_of(Link(dictionary), random_chunks(data, rng)))
    decoded = decode_stream(dictionary, data)
    heard = [key for key in live if key[0] == "packet"]
    assert sum(len(part) for part in decoded.packets.values()) == len(heard) > 100
    assert [event_key(event) for _, event in decoded.events] == [key for key in live if key[0] != "packet"]
    assert len(decoded.frame_end) == len(decoded.frame_bytes) and (decoded.frame_bytes > 0).all()
    assert any(key[0] == "FrameDamaged" for key in live) and any(key[0] == "SequenceGap" for key in live)


@pytest.mark.parametrize("dictionary", SAMPLES.values(), ids=SAMPLES)
def test_a_piece_comes_with_its_last_byte_whatever_the_chunks(dictionary: Dictionary) -> None:
    """Live, a chunk's arrival is its frames' arrival; as a recording it is found by the last byte's place."""
    rng = random.Random(8)
    data = bytearray(b"".join(traffic(dictionary, 150)))
    for _ in range(60):
        data[rng.randrange(len(data))] = rng.choice(b"\xa5\x5a\n$\x00\x1d")
    whole = [(heard.end, heard.size) for heard in foreign_framing(dictionary).feed(bytes(data))]
    single, out = foreign_framing(dictionary), []
    for place, octet in enumerate(data):
        out += [(place + heard.end, heard.size) for heard in single.feed(bytes([octet]))]
    assert whole == out and len(whole) > 100


@pytest.mark.parametrize("dictionary", SAMPLES.values(), ids=SAMPLES)
def test_any_bytes_raise_nothing(dictionary: Dictionary) -> None:
    rng = random.Random(7)
    letters = b"$STATE,0123456789.*ABCDEF\r\n\xa5\x5a\x01\x02\x1d"
    for _ in range(300):
        data = bytes(rng.choice(letters) for _ in range(300)) if rng.random() < 0.7 else rng.randbytes(300)
        events_of(Link(dictionary), random_chunks(data, rng))


def state(dictionary: Dictionary, seconds: float, number: int) -> bytes:
    """Return a `state` of a sample at a time and with a count."""
    packet = dictionary.packets["state"]
    values: dict[str, object] = {channel.name: channel.offset for channel in packet.channels}
    unit = 1.0 if packet.channel("time").unit == "s" else 1000.0
    return foreign_framing(dictionary).encode("state", {**values, "time": seconds * unit, "number": number})


@pytest.mark.parametrize("dictionary", SAMPLES.values(), ids=SAMPLES)
def test_loss_is_told_by_the_count_over_its_wrap(dictionary: Dictionary) -> None:
    data = [state(dictionary, 0.1 * i, number) for i, number in enumerate((253, 254, 1, 2))]
    gaps = [e.missing for e in events_of(Link(dictionary), data) if isinstance(e, SequenceGap)]
    assert gaps == [2]


@pytest.mark.parametrize("dictionary", SAMPLES.values(), ids=SAMPLES)
def test_a_clock_that_falls_back_is_a_restart(dictionary: Dictionary) -> None:
    link = Link(dictionary)
    events = events_of(link, [state(dictionary, 100.0, 5), state(dictionary, 0.2, 0)])
    assert VehicleRestarted(None, 1) in events and link.epoch == 1
    assert [e.time_ms for e in events if isinstance(e, PacketReceived)] == [100_000, 200]


def test_a_packet_without_time_belongs_to_the_newest_one_heard() -> None:
    text = WREN.text.replace('tag = "SWITCH"\ntime = "time"', 'tag = "SWITCH"').replace(
        '  { name = "time", type = "f64", unit = "s", description = "Since switch-on" },\n  { name = "camera"',
        '  { name = "camera"',
    )
    dictionary = parse_dictionary(text)
    switches = foreign_framing(dictionary).encode("switches", {"camera": 1, "continuity": 1, "armed": 0})
    events = events_of(Link(dictionary), [switches, state(WREN, 3.25, 0), switches])
    assert [e.time_ms for e in events if isinstance(e, PacketReceived)] == [0, 3250, 3250]


def test_the_framing_belongs_to_the_dictionary() -> None:
    assert foreign_framing(SANDPIPER) is None
    assert isinstance(foreign_framing(WREN), TextLines) and isinstance(foreign_framing(PLOVER), BinaryRecords)


def test_commands_need_no_key_and_are_checked() -> None:
    assert (
        Link(WREN).send("camera_power", {"camera": 1, "on": 1}, 7) == b"$CAM,1,1*4F\r\n"
    )  # 43 ^ 41 ^ 4D ^ 2C ^ 31 ^ 2C ^ 31
    with pytest.raises(ValueRefused):
        Link(WREN).send("camera_power", {"camera": 1, "on": 2}, 7)


def test_a_text_is_no_time() -> None:
    body = FIELDS.replace('type = "text6"', 'type = "text6", unit = "s"').replace("apid = 1", 'apid = 1\ntime = "k"')
    with pytest.raises(DictionaryError, match=r"packet\.all\.time\] 'k' must be a number of this packet"):
        with_framing('kind = "text"', body)


def test_our_own_wire_comes_in_frames_not_pieces() -> None:
    with pytest.raises(OurMistake, match="this vehicle has no framing of its own"):
        list(Link(SANDPIPER).receive_pieces(b"\x00"))


def test_garbage_and_damage_are_events() -> None:
    good = state(PLOVER, 1.0, 0)
    bad = good[:-1] + bytes([good[-1] ^ 1])
    events = events_of(Link(PLOVER), [b"noise", bad, good])
    kinds = [type(event) for event in events if not isinstance(event, BootIdLearned)]
    assert kinds[:2] == [BytesSkipped, FrameDamaged] and kinds[-1] is PacketReceived


@pytest.mark.parametrize(
    ("text", "old", "new", "problem"),
    [
        (WREN.text, 'tag = "SWITCH"\n', "", r"packet\.switches\.tag\] is missing"),
        (WREN.text, 'tag = "SWITCH"', 'tag = "A,B"', r"packet\.switches\.tag\] must be visible"),
        (WREN.text, 'tag = "SWITCH"', 'tag = "STATE"', "same tag"),
        (WREN.text, 'count = "number"', 'count = "pressure"', r"packet\.state\.count\]"),
        (WREN.text, 'time = "time"\ncount', 'time = "pressure"\ncount', r"packet\.state\.time\]"),
        (WREN.text, 'template = "SAFE"\n', "", r"command\.safe_all\.template\] is missing"),
        (WREN.text, 'template = "CAM,{camera},{on}"', 'template = "CAM,{off}"', "must hold each argument"),
        (WREN.text, 'template = "CAM,{camera},{on}"', 'template = "CAM*{camera},{on}"', "without \\*"),
        (PLOVER.text, 'template = "{camera} {on}"', 'template = "1 {camera} {on}"', "bytes in hexadecimal"),
        (PLOVER.text, '"id u8", ', "", "needs an id"),
        (PLOVER.text, "apid = 2", "apid = 300", "does not fit the id"),
        (SANDPIPER.text, "apid = 20\n", 'apid = 20\ntag = "X"\n', "tag, time and count are for"),
        (SANDPIPER.text, "code = 0x1E\n", 'code = 0x1E\ntemplate = "X"\n', "template is for"),
    ],
)
def test_mistakes_are_named(text: str, old: str, new: str, problem: str) -> None:
    assert old in text
    with pytest.raises(DictionaryError, match=problem):
        parse_dictionary(text.replace(old, new, 1))
