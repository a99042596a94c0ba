"""A computer that loses its power in flight, where a run asks for it: it starts anew, and whether it recovers is judged."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from server.cli.rehearse import fly, met
from server.rehearsal.closed_loop import Plan
from server.rehearsal.flown import Flown
from server.rehearsal.judging import NOT_RECOVERED, Judge, Wrong
from server.rehearsal.plant import CYCLE_S
from server.rehearsal.score import Run
from server.rehearsal.sensor_faults import FaultProblem, read_fault
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import board_image, host_program
from tests.server.rehearsal.computers import BENCH_ACTS, at_terminal, on_board, rehearse


@cache
def flown(*faults: str, until_s: float = 60.0) -> tuple[Flown, list[Wrong], Run]:
    """Fly the example with faults."""
    read = [read_fault(text, SANDPIPER) for text in faults]
    with met(host_program(), SANDPIPER) as talk:
        judge = Judge(talk.reader, SANDPIPER.roles["vehicle_phase"].values)
        return fly(talk, judge, Plan(load_scenario("calm"), 1, read, until_s=until_s))


def test_one_that_forgets_its_flight_does_not_recover() -> None:
    """The example keeps nothing over a restart: it wakes in the air, believes itself on the pad, and orders nothing."""
    whole, wrongs, run = flown("brown-out at coast for 0.5")
    ((from_s, until_s),) = run.outages_s
    assert until_s - from_s == pytest.approx(0.5) and 7.0 < from_s < 8.0
    dark = [frame for frame in whole.frames if from_s - 1e-6 <= frame.time_us / 1e6 < until_s - 1e-6]
    assert len(dark) == 50 and not any(frame.stimuli or frame.answer for frame in dark)
    back = whole.frames[whole.outages[0].frame + 50].answer  # it flies on, in a rehearsal of its own
    assert back is not None and back.state[SANDPIPER.packets["rehearsal"].channel_names.index("time_us")] == 0
    assert [wrong.kind for wrong in wrongs] == [NOT_RECOVERED] and not run.passed and run.ordered_s is None
    assert "recovery, after it was without power from 7.52 to 8.02 s, did not come before the ground" in wrongs[0].sentence()


def test_before_the_flight_and_after_the_deployment_it_passes() -> None:
    for fault, ordered_s in (("reset at 2", 13.94), ("reset at descent", 13.94)):
        _, wrongs, run = flown(fault)
        assert not wrongs and run.passed and run.ordered_s == pytest.approx(ordered_s, abs=0.2)
        assert run.outages_s[0][1] - run.outages_s[0][0] == pytest.approx(0.1)


def test_times_in_frames_and_what_is_missing() -> None:
    assert read_fault("dropped at boost for 7 frames", SANDPIPER).for_s == pytest.approx(7 * CYCLE_S)
    assert read_fault("reset at coast", SANDPIPER).for_s == 0.1
    for text, said in (("brown-out at coast", "needs a time"), ("reset gyro.a at 3", "takes no channels")):
        with pytest.raises(FaultProblem, match=said):
            read_fault(text, SANDPIPER)


def test_steps_are_dropped_for_so_many_frames() -> None:
    whole, wrongs, run = flown("dropped at boost for 7 frames", until_s=8.0)
    assert sum(not frame.stimuli for frame in whole.frames) == 7 and not wrongs and run.lost >= 7


def test_a_real_computer_is_never_started_anew(tmp_path: Path) -> None:
    acts = (*BENCH_ACTS, "rehearse", "1")
    with at_terminal(host_program(), tmp_path) as port:
        code, out, err = rehearse(tmp_path, port, "--fault", "reset at coast", acts=acts)
        assert (code, out) == (1, "") and "Only a program and an emulated board (--monitor) can be started anew" in err
        code, out, err = rehearse(tmp_path, port, "--monitor", "127.0.0.1:1", acts=acts)
        assert (code, out) == (1, "") and "A monitor is an emulator's: say --emulated." in err


def test_the_emulated_board_starts_anew_in_flight(tmp_path: Path) -> None:
    """On the pad, so that it is short; it must believe in a flight afterwards."""
    acts = (*BENCH_ACTS, "rehearse", "1")
    with on_board(board_image(), tmp_path, monitor=True) as port:
        words = ("--emulated", "--monitor", str((tmp_path / "monitor").read_text()), "--until", "7")
        code, out, err = rehearse(tmp_path, port, *words, "--fault", "reset at 1", acts=acts)
    assert code == 0, out + err
    assert "without power 1.00 to 1.10 s" in out
