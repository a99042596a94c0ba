"""The short form of the attack bench: green as it is, red without any one of the protections."""

from __future__ import annotations

import pytest

from tests.attack.__main__ import run
from tests.attack.oracle import FAULTS, Words, unstuffed
from tests.attack.protections import EVERY, laid, taken_out
from tests.server.uplink.queue_world import dictionary

# What the vehicles and the queue must have had to judge for the bench to mean anything.
REACHED = (
    "executed, hazardous",
    "refused: too late",
    "refused: other boot",
    "refused: other dictionary",
    "refused: old counter",
    "refused: not stored",
    "repeat: answered again",
    "repeat by the other radio: answered again",
    "repeat of what was not stored: refused again",
    "dropped: for another vehicle",
    "dropped: junk, damaged or forged",
    "frames behind junk or beside a lost zero",
    "Safe all heard again",
    "Safe all heard while stores fail",
    "Safe all heard by another dictionary",
    "Safe all heard with an old counter",
)


def test_nothing_goes_wrong_and_every_check_is_reached() -> None:
    table = laid()
    assert run(table, 400, 3000, 2) == dict.fromkeys(FAULTS, 0), table.oracle.examples
    assert [what for what in REACHED if table.oracle.seen[what] < 10] == []


@pytest.mark.parametrize("name", EVERY)
def test_without_a_protection_it_is_red(name: str) -> None:
    with taken_out(name) as (table, expected):
        faults = run(table, 400, 1500, 1, until=expected)
    assert any(faults[fault] for fault in expected), (faults, expected)


def test_the_oracle_reads_the_wires_own_examples() -> None:
    assert unstuffed(bytes.fromhex("0311220233")) == bytes.fromhex("11220033")
    assert unstuffed(b"\xff" + bytes(range(1, 255))) == bytes(range(1, 255))
    assert unstuffed(b"\x05ab") is None
    words = Words(dictionary().text, dictionary().hash32)
    assert words.asked(0x99, bytes.fromhex("03fc18"))[0] == "fin_move"
