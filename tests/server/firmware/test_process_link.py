"""The compiled library through its process: byte for byte what the ground's own code makes, and its failures in words."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from protocol.errors import ValueRefused
from protocol.vehicle import Order, VehicleLink
from server.firmware.process_link import EncoderProblem, ProcessLink, Program
from tests.protocol.helpers import SANDPIPER, SMALL, SMALL_VALUES
from tests.server.firmware.agreement import KEY, ODD, Pair, compare, hear_beside_a_limit
from tests.server.firmware.build import DICTIONARIES, program


@pytest.mark.parametrize("kind", ["host", "host-sanitized"])
@pytest.mark.parametrize("name", DICTIONARIES)
def test_c_and_python_agree_on_packets_and_commands(name: str, kind: str) -> None:
    seen = compare(name, 700, 700, seed=1, kind=kind)
    assert seen["packets"] == 700 and seen["refused"] and seen["orders"] > 100
    assert all(seen.get(what, 0) for what in ("genuine", "repeat", "old", "other_boot", "unknown", "forged", "flipped"))


def test_c_and_python_agree_on_every_odd_float() -> None:
    with Program(program("small")) as machine:
        pair = Pair(SMALL, machine)
        for value in [*ODD, 3.4028234663852886e38, 3.4028235677973366e38, 3.4028236e38, 7e-46, 7.1e-46, -3.5e38]:
            for name in ("a_f32", "a_f64", "a_u16", "a_u8", "low"):
                frames = []
                for link in (pair.python, pair.c):
                    try:
                        frames.append(link.frame("all", 1, {**SMALL_VALUES, name: value}))
                    except ValueRefused:
                        frames.append(None)
                assert frames[0] == frames[1], (name, value)


@pytest.mark.parametrize("sign", [1, -1])
def test_halves_are_rounded_to_even_as_python_does(sign: int) -> None:
    with Program(program("wide")) as machine:
        pair = Pair(DICTIONARIES["wide"], machine)
        for half in (0.5, 1.5, 2.5, 2147483646.5, 2147483647.5, 2147483648.5, 0.49999999999999994):
            for beside in (half, math.nextafter(half, 0), math.nextafter(half, 1e300)):
                frames = []
                for link in (pair.python, pair.c):
                    try:
                        frames.append(link.frame("int", 1, {"double": sign * beside * 1e-7, "new": 0}))
                    except ValueRefused:
                        frames.append(None)
                assert frames[0] == frames[1], sign * beside


def test_a_whole_number_beside_a_limit_is_itself() -> None:
    with Program(program("wide")) as machine:
        hear_beside_a_limit(Pair(DICTIONARIES["wide"], machine))


def test_counts_and_time_wrap_alike() -> None:
    with Program(program("small")) as machine:
        pair = Pair(SMALL, machine)
        for number in range(16_390):
            time_ms = 2**32 - 5 + number
            assert pair.python.frame("hello", time_ms, {"boot_id": 1}) == pair.c.frame("hello", time_ms, {"boot_id": 1})


def test_a_refused_value_takes_no_count_and_is_raised() -> None:
    with Program(program("sandpiper")) as machine:
        link = ProcessLink(machine, SANDPIPER, KEY, 5)
        rest = {"pressure": 94000.0, "temperature": 290.0, "altitude": 0.0}
        with pytest.raises(ValueRefused, match="barometer"):
            link.frame("barometer", 0, {**rest, "pressure": math.nan})
        assert link.frame("barometer", 0, rest) == VehicleLink(SANDPIPER, KEY, 5).frame("barometer", 0, rest)


def test_a_third_answer_is_sent_but_not_repeated() -> None:
    """The library keeps two answers per command: one of accepted and refused, one of completed and failed."""
    with Program(program("small")) as machine:
        link = ProcessLink(machine, SMALL, KEY, 5)
        order = Order(1, "turn", {}, 0x10)
        assert len({link.answer(order, stage, "none", 0) for stage in ("accepted", "completed", "failed")}) == 3


def test_a_program_that_is_not_there_or_no_encoder_is_said_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(EncoderProblem, match="cannot be started"):
        Program(tmp_path / "nothing")
    with Program(Path("/bin/true")) as nothing, pytest.raises(EncoderProblem, match="has ended"):
        nothing.ask("N")
