"""Continuity forbids a rehearsal and ends one, but where a simulator was acknowledged for that very lateral channel.

That it runs out by the computer's own clock is tried on the C beneath (`tests/server/firmware/test_rehearsal.py`), the acts
that it takes at a port in `test_again_at_port.py`.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from server.cli.cli import main
from server.rehearsal.closed_loop import Plan, fly_stepped
from server.rehearsal.conversation import Conversation, Refused
from server.rehearsal.sensor_faults import read_fault
from server.rehearsal.wires import ProgramWire
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import KEY, SANDPIPER
from tests.server.firmware.flight_build import host_program

VEHICLE = str(SANDPIPER.uplink.vehicle_id)
CALM = load_scenario("calm")


@contextmanager
def connected(folder: Path, bits: int, simulators: Sequence[int] = ()) -> Iterator[Conversation]:
    """Start the example with continuity on channels by bit, laterals first; `folder`/continuity says so meanwhile."""
    (folder / "key").write_text(KEY.hex())
    (folder / "continuity").write_text(str(bits))
    words = [str(folder / "key"), str(folder / "starts"), VEHICLE, str(folder / "continuity")]
    wire, counters = ProgramWire(host_program(), words), itertools.count(1)
    talk = Conversation(SANDPIPER, KEY, wire, lambda: next(counters), time.monotonic)
    talk.restart = wire.restart
    talk.acknowledge(simulators)
    try:
        talk.meet()
        yield talk
    finally:
        talk.close()


def test_it_counts_for_its_channel_never_for_recovery_and_again_after_a_start_asked_for(tmp_path: Path) -> None:
    with connected(tmp_path, 0b10, (1,)) as talk:
        with pytest.raises(Refused, match=r"continuity\. Something is connected to a firing channel"):
            talk.begin()
        talk.acknowledge((2,))
        talk.begin()
        plan = Plan(CALM, 1, [read_fault("brown-out at 0.2 for 0.1", SANDPIPER)], until_s=0.5)
        flown = fly_stepped(talk, plan, time.monotonic)
        assert flown.outages and not flown.ended and flown.cut
        (tmp_path / "continuity").write_text(str(0b10010))  # a recovery charge, in the middle of it
        time.sleep(0.2)
        flown = fly_stepped(talk, Plan(CALM, 1, until_s=0.5), time.monotonic)
        assert flown.ended.endswith("has ended the rehearsal: continuity.")
        talk.acknowledge((2,))
        with pytest.raises(Refused, match="continuity"):
            talk.begin()


def test_what_is_no_lateral_channel_is_refused_before_anything_starts(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", "--program", "nothing", "--simulator", "2", "--simulator", "5"]) == 1
    said = "Simulators are acknowledged for lateral channels 1 to 4, never for recovery; 5 is none of them."
    assert said in capsys.readouterr().err
