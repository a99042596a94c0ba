"""Records by hand: orders, headers, checksums; false syncs, cut records, unknown ids."""

from __future__ import annotations

import itertools
import struct

import pytest
from construct import Byte, Bytes, Const, Int16ul, Struct

from protocol.events import BytesSkipped, FrameDamaged, PacketReceived, PacketUnknown
from protocol.foreign.framings import foreign_framing
from protocol.foreign.sums import SUMS
from tests.protocol.foreign.foreign_helpers import PLOVER, VALUES, with_framing
from tests.protocol.helpers import heard

SHORT = '[packet.one]\napid = 7\nfields = [ { name = "n", type = "u16" } ]\n'
SIMPLE = 'kind = "binary"\nsync = "A5 5A"\nheader = ["id u8", "length u8"]\nchecksum = "sum8"'


def numbers(events: list[object]) -> list[float]:
    return [event.values[0] for event in events if isinstance(event, PacketReceived)]


def test_a_record_by_hand() -> None:
    """Sum of 07 02 12 34 = 4F; the sync is not in it."""
    dictionary = with_framing(SIMPLE, SHORT)
    record = bytes.fromhex("A5 5A 07 02 12 34 4F")
    assert foreign_framing(dictionary).encode("one", {"n": 0x1234}) == record
    assert numbers(heard(dictionary, record)) == [0x1234]


def test_the_sample_by_an_independent_description() -> None:
    """Plover's layout written once more with construct, the checksum with crccheck's sibling in test_sums."""
    layout = Struct(Const(b"\xa5\x5a"), "id" / Byte, "length" / Byte, "payload" / Bytes(7), "crc" / Int16ul)
    record = foreign_framing(PLOVER).encode("switches", {"time": 0x01020304, "camera": 1, "continuity": 1, "armed": 0})
    seen = layout.parse(record)
    assert (seen.id, seen.length, seen.payload) == (2, 7, b"\x04\x03\x02\x01\x01\x01\x00")
    assert seen.crc == SUMS["crc16-modbus"][1](record[2:-2]) and len(record) == layout.sizeof()


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize("checksum", SUMS)
@pytest.mark.parametrize("header", ['"id u8", "length u16"', '"length u8"', "", '"count u16", "id u16", "length u8"'])
@pytest.mark.parametrize(("counts", "with_sync"), [("payload", "true"), ("record", "false")])
def test_every_choice_goes_there_and_back(order: str, checksum: str, header: str, counts: str, with_sync: str) -> None:
    framing = f'kind = "binary"\nsync = "EB 90 01"\nheader = [{header}]\nbyte_order = "{order}"\nchecksum = "{checksum}"\n'
    dictionary = with_framing(f'{framing}length_counts = "{counts}"\nchecksum_with_sync = {with_sync}')
    record = foreign_framing(dictionary).encode("all", VALUES)
    events = [e for e in heard(dictionary, b"\xeb" + record, record) if isinstance(e, PacketReceived)]
    names = [channel.name for channel in dictionary.packets["all"].channels]
    assert len(events) >= 1 and dict(zip(names, events[0].values, strict=True)) == VALUES
    body = record[len(bytes.fromhex("EB 90 01")) :]
    mark = "<" if order == "little" else ">"
    assert struct.pack(mark + "HhIi", 525, -300, 4_000_000_000, -5) in body


def test_what_stands_before_a_record_is_told_with_it() -> None:
    dictionary = with_framing(SIMPLE, SHORT)
    record = foreign_framing(dictionary).encode("one", {"n": 1})
    for cut in range(1, len(record)):
        events = heard(dictionary, b"noise\xa5", record[:cut], record[cut:])
        assert events[0] == BytesSkipped(6) and numbers(events) == [1]


def test_a_record_behind_a_false_sync_is_not_lost() -> None:
    dictionary = with_framing(SIMPLE.replace("sum8", "crc16"), SHORT)
    record = foreign_framing(dictionary).encode("one", {"n": 1})
    for length in range(256):
        stream = bytes([0xA5, 0x5A, 9, length]) + record * 80
        assert len(numbers(heard(dictionary, stream))) == 80, length


def test_damage_unknown_ids_and_wrong_lengths() -> None:
    dictionary = with_framing(SIMPLE, SHORT)
    record = foreign_framing(dictionary).encode("one", {"n": 1})
    assert heard(dictionary, record[:-1] + b"\0")[0] == FrameDamaged("bad checksum", 7)
    unknown = bytes.fromhex("A5 5A 09 01 00 0A")
    assert heard(dictionary, unknown) == [PacketUnknown(9, 6)]
    wrong = bytes.fromhex("A5 5A 07 01 00 08")
    assert heard(dictionary, wrong) == [FrameDamaged("one of another length", 6)]


def test_an_unknown_id_without_a_length_is_a_false_sync() -> None:
    dictionary = with_framing('kind = "binary"\nsync = "A5"\nheader = ["id u8"]\nchecksum = "xor8"', SHORT)
    record = foreign_framing(dictionary).encode("one", {"n": 5})
    events = heard(dictionary, b"\xa5\x08\x00" + record)
    assert events[0] == BytesSkipped(3) and numbers(events) == [5]


def test_the_headers_count_tells_loss_over_its_wrap() -> None:
    framing = 'kind = "binary"\nsync = "A5"\nheader = ["count u8"]\nchecksum = "xor8"'
    dictionary = with_framing(framing, SHORT)
    encoder = foreign_framing(dictionary)
    records = [encoder.encode("one", {"n": 1}) for _ in range(600)]
    events = heard(dictionary, *records[:300], *records[303:])
    gaps = [event.missing for event in events if type(event).__name__ == "SequenceGap"]
    assert gaps == [3] and sum(type(event).__name__ == "CounterWrapped" for event in events) == 2


def test_commands_are_records_named_by_their_code() -> None:
    framing = foreign_framing(PLOVER)
    for name, payload in (("camera_power", "01 01"), ("recovery_arm", "01"), ("safe_all", "")):
        args = {"camera": 1, "on": 1} if name == "camera_power" else {"channel": 1} if name == "recovery_arm" else {}
        body = bytes([PLOVER.commands[name].code, len(bytes.fromhex(payload))]) + bytes.fromhex(payload)
        check = SUMS["crc16-modbus"][1](body).to_bytes(2, "little")
        assert framing.command(PLOVER.commands[name], args) == b"\xa5\x5a" + body + check


def test_garbage_is_held_only_as_far_as_it_may_be_a_record() -> None:
    framing = foreign_framing(with_framing(SIMPLE, SHORT))
    for octet in itertools.islice(itertools.cycle(b"\xa5\x00\xa5\xa5noise"), 5000):
        assert list(framing.feed(bytes([octet]))) == []
        assert len(framing._pending) <= 300
