"""A recorded flight flown again by a computer at a cable: the same is found apart as with a program behind a pipe.

A simulator is connected to a lateral channel meanwhile, which takes two acts of its own.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from server.cli.cli import main
from server.cli.rehearse import fly, record
from server.rehearsal.closed_loop import Plan
from server.rehearsal.tape import Tape
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import host_program
from tests.server.rehearsal.computers import BENCH_ACTS, at_terminal, rehearse
from tests.server.rehearsal.helpers import computer, judge

PAST_CONTROL_S = 8.6


def test_at_a_cable_the_same_frame_is_apart_as_behind_a_pipe(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with computer(1) as talk:
        talk.tape = Tape()
        fly(talk, judge(), Plan(load_scenario("calm"), 1, until_s=PAST_CONTROL_S))
        session = record(talk, tmp_path, "faulty")
    words = ("--session", str(session), "--sessions", str(tmp_path / "again"))
    (tmp_path / "continuity").write_text(str(1 << 1))
    acts = (*BENCH_ACTS, "simulator 2", "2", "rehearse", "1")
    with at_terminal(host_program(), tmp_path, [str(SANDPIPER.uplink.vehicle_id), str(tmp_path / "continuity")]) as port:
        code, out, err = rehearse(tmp_path, port, "--simulator", "2", *words, acts=acts)
    assert code == 3, err
    assert "Lateral channel 2." in err and "Whoever says so wrongly takes one guard away." in err
    assert f"{session} flown again on the bench. Type 'rehearse'" in err
    assert main(["rehearse", "--program", str(host_program()), *words]) == 3
    piped = capsys.readouterr().out
    first, same = (" ".join(said.split("First apart: ")[1].split("Recorded")[0].split()) for said in (out, piped))
    assert first == same and ": navigation.rate_z is " in first and "in that frame: control.mode goes to roll" in first
    print(first)
