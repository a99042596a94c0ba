"""The example on processors that are not this one, by user emulation: it deploys when the twin's own computer does.

Big-endian PowerPC turns every number of the wire round. Where compiler or emulator
are missing it fails: it is not skipped.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from server.cli.rehearse import fly, met
from server.firmware.flight_source import host_command
from server.rehearsal.closed_loop import Plan
from server.rehearsal.judging import DEPLOYMENT_WITHIN_S
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.build import TARGETS
from tests.server.firmware.flight_build import flight_folder, run_in
from tests.server.rehearsal.helpers import judge

PAST_DEPLOYMENT_S = 14.4


def emulated(target: str, folder: Path) -> Path:
    """Compile the example for another processor; returns a program that runs it in its emulator."""
    processor = TARGETS[target]
    name = f"fc_host_{target}"
    run_in(flight_folder(), host_command(name, compiler=(processor.compiler, "-std=c99", "-O2", *processor.flags)))
    program = folder / name
    program.write_text(f'#!/bin/sh\nexec {" ".join(processor.runner)} {flight_folder() / name} "$@"\n')
    program.chmod(0o755)
    return program


@pytest.mark.parametrize("target", ["powerpc"])
def test_it_deploys_when_the_twins_own_computer_does(target: str, tmp_path: Path) -> None:
    with met(emulated(target, tmp_path), SANDPIPER) as talk:
        _, wrongs, run = fly(talk, judge(), Plan(load_scenario("calm"), 1, until_s=PAST_DEPLOYMENT_S))
    mine_s, its_s = run.deployment_s
    print(f"{target}: deployed {mine_s} s, twin's own {its_s} s, {run.duration_s / run.took_s:.1f} times real time")
    assert run.passed and not wrongs and mine_s is not None and its_s is not None
    assert abs(mine_s - its_s) <= DEPLOYMENT_WITHIN_S == 0.2
