"""The [framing] table: what it accepts, and every mistake named."""

from __future__ import annotations

import pytest

from protocol.errors import DictionaryError
from protocol.foreign.framing_rules import HeaderPart
from protocol.foreign.framing_tables import RISK
from tests.protocol.foreign.foreign_helpers import PLOVER, WREN, with_framing
from tests.protocol.helpers import SANDPIPER


def test_the_samples() -> None:
    assert (WREN.framing.kind, WREN.framing.start, WREN.framing.checksum) == ("text", "$", "xor8")
    assert (PLOVER.framing.sync, PLOVER.framing.order) == (b"\xa5\x5a", "little")
    assert PLOVER.framing.header == (HeaderPart("id", "u8"), HeaderPart("length", "u8"))
    assert SANDPIPER.framing is None


def test_only_the_whole_sentence_accepts_the_risk() -> None:
    assert not WREN.may_command_hazards and PLOVER.may_command_hazards and SANDPIPER.may_command_hazards
    with pytest.raises(DictionaryError, match="must be exactly: Anyone within range"):
        with_framing('kind = "text"\nrisk_accepted = "yes"')
    assert with_framing(f'kind = "text"\nrisk_accepted = "{RISK}"').may_command_hazards


@pytest.mark.parametrize(
    ("framing", "problem"),
    [
        ('kind = "cobs"', "must be one of text, json, binary"),
        ('kind = "text"\nseparator = ""', "separator"),
        ('kind = "text"\nseparator = "5"', "separator"),
        ('kind = "text"\nseparator = "."', "separator"),
        ('kind = "text"\nstart = "a b"', "start"),
        ('kind = "text"\nstart = "a,"', "start"),
        ('kind = "text"\nchecksum = "fletcher16"', "checksum"),
        ('kind = "text"\nsync = "A5"', "unknown key 'sync'"),
        ('kind = "binary"', "[framing.sync] is missing: without it"),
        ('kind = "binary"\nsync = "A"', "sync"),
        ('kind = "binary"\nsync = "A5 5A 01 02 03"', "sync"),
        ('kind = "binary"\nsync = "A5"\nheader = ["id"]', "header"),
        ('kind = "binary"\nsync = "A5"\nheader = ["id u8", "id u16"]', "header"),
        ('kind = "binary"\nsync = "A5"\nheader = ["id u64"]', "header"),
        ('kind = "binary"\nsync = "A5"\nheader = ["length u32"]', "header"),
        ('kind = "binary"\nsync = "A5"\nheader = ["id u8 mask 100"]', "must be one run of bits of u8"),
        ('kind = "binary"\nsync = "A5"\nheader = ["id u8 mask 05"]', "must be one run of bits of u8"),
        ('kind = "binary"\nsync = "A5"\nheader = ["id u8 mask 0F rest 81"]', "must be one run of bits of u8"),
        ('kind = "binary"\nsync = "A5"\nheader = ["const 5"]', "header"),
        ('kind = "binary"\nsync = "A5"\nheader = ["ignored 0"]', "header"),
        ('kind = "binary"\nsync = "A5"\nlength_bias = 1', "means nothing without a length"),
        ('kind = "binary"\nheader = ["length u8"]', "is missing: without it"),
        ('kind = "binary"\nstuffing = "bytes"', "must be one of none, cobs, slip"),
        ('kind = "text"\ntime_modulus = 1', "must be at least 10 s"),
        ('kind = "text"\nchecksum = { width = 12, polynomial = 1 }', "must be one of 8, 16"),
        ('kind = "text"\nchecksum = { width = 8, polynomial = 0x107 }', "must fit 8 bits"),
        ('kind = "text"\nchecksum = { width = 8, polynomial = 6 }', "must be odd"),
        ('kind = "text"\nchecksum = { width = 8, polynomial = 7, refin = true }', "unknown key 'refin'"),
        ('kind = "binary"\nsync = "A5"\nbyte_order = "middle"', "byte_order"),
        ('kind = "binary"\nsync = "A5"\nseparator = ","', "unknown key 'separator'"),
    ],
)
def test_mistakes_are_named(framing: str, problem: str) -> None:
    with pytest.raises(DictionaryError, match=r"\[framing") as caught:
        with_framing(framing)
    assert problem in str(caught.value)


def test_what_decides_the_bytes_decides_the_hash() -> None:
    base = 'kind = "binary"\nsync = "A5"\n'
    others = ['header = ["id u8 mask 0F"]', 'header = ["ignored 1"]', 'header = ["const 01"]', 'checksum_order = "little"']
    others += ['stuffing = "slip"', 'stuffing = "cobs"', "time_modulus = 60", 'header = ["length u8"]\nlength_bias = 1']
    others += ["checksum = { width = 8, polynomial = 7 }", "checksum = { width = 8, polynomial = 7, init = 1 }"]
    others += ['byte_order = "little"', 'checksum = "sum8"', 'header = ["length u8"]', "checksum_with_sync = true"]
    hashes = [with_framing(base + more).hash32 for more in ["", *others]]
    assert len(set(hashes)) == len(hashes)
    assert with_framing(f'{base}risk_accepted = "{RISK}"').hash32 == hashes[0]
