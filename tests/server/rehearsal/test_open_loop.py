"""Recorded flights flown again: the first frame apart on another build, none on the same; from stimuli, radio and card.

The bounds where a radio brought less were chosen on seed 2; here seed 4 is flown.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from server.cli.cli import main
from server.cli.rehearsals.again import recorded_flight
from server.cli.rehearse import fly, record
from server.recording.clock import SystemClock
from server.recording.records import Kind
from server.recording.session_file import open_session
from server.rehearsal.cases import read_case
from server.rehearsal.closed_loop import Plan
from server.rehearsal.conversation import RehearsalProblem
from server.rehearsal.flown import Flown
from server.rehearsal.open_loop import Comparison
from server.rehearsal.played_back import Column, Recorded, Said, flown, of_stimuli
from server.rehearsal.tape import Tape, write_tape
from server.review.review import open_review
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import host_program
from tests.server.flights import flown as flight_of_the_twin
from tests.server.flights import recorded
from tests.server.rehearsal.helpers import READER, computer, judge, made

SEED = 4


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A rehearsal of the first planted mistake, its stimuli in it."""
    with computer(1) as talk:
        talk.tape = Tape()
        fly(talk, judge(), Plan(load_scenario("calm"), SEED))
        yield record(talk, tmp_path_factory.mktemp("sessions"), "faulty")


@pytest.fixture(scope="module")
def heard(faulty: Path) -> Path:
    """The same as a station would have heard it by radio: what came down, nothing of what was sent up."""
    session = open_session(faulty)
    origin = session.header.origin_monotonic_ns
    down = [(False, (one.mono_ns - origin) // 1000, one.payload) for one in session.records if one.kind == Kind.RECEIVED]
    return write_tape(Tape(0, down), faulty.parent, "heard", session.header, None, SystemClock())


def again(capsys: pytest.CaptureFixture[str], fault: int, session: Path, *more: str) -> tuple[int, str]:
    """Run the command; return exit code and what it printed, in one line."""
    words = ["rehearse", "--program", str(host_program(fault)), "--session", str(session)]
    code = main([*words, "--sessions", str(session.parent / "again"), *more])
    return code, " ".join(capsys.readouterr().out.split())


def test_every_stimulus_played_again_gives_every_answer_again_on_the_same_build(
    faulty: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded, exact = recorded_flight(faulty, None, SANDPIPER)
    assert exact and len(recorded.said) == 3 * len(recorded.moments)
    code, said = again(capsys, 1, faulty)
    assert code == 3  # reproduced: the fault is there
    assert "No frame apart" in said and "First apart" not in said
    assert "By itself: frame" in said and "navigation.rate_z is not a number" in said and "control.enabled goes to 1" in said


def test_the_first_frame_apart_is_that_of_the_fault_on_a_clean_build(
    faulty: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = open_review(faulty).output.rows
    bad = int(np.flatnonzero(~np.isfinite(rows["navigation"].columns["rate_z"]))[0])
    moments = of_stimuli(SANDPIPER, (one.payload for one in open_session(faulty).records if one.kind == Kind.SENT))
    lead = len(rows["navigation"]) - len(moments)  # packets before and after the rehearsal
    code, said = again(capsys, 0, faulty)
    assert code == 3 and "By itself" not in said
    first = said.split("First apart: frame ")[1]
    assert bad - lead <= int(first.split(",")[0]) <= bad
    assert "navigation.rate_z is" in first and "recorded was nan; in that frame: control.mode goes to roll" in first


def test_what_a_radio_brought_is_enough_for_both(heard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = again(capsys, 1, heard)
    assert code == 3 and "No frame apart" in said and "navigation.rate_z is not a number" in said
    assert "fix: not recorded: east, north; not played" in said  # what it worked out itself is never played as a sensor
    code, said = again(capsys, 0, heard)
    assert code == 3 and "recorded was nan" in said and "By itself" not in said


def test_what_is_wrong_by_itself_is_shrunk(faulty: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "case.json"
    code, said = again(capsys, 1, faulty, "--shrink", str(file))
    case = read_case(file, SANDPIPER)
    assert code == 3 and f"to {case.frames}," in said and case.frames <= 5 and len(case.channels) <= 3
    assert main(["rehearse", "--program", str(host_program(0)), "--session", str(faulty), "--shrink", str(file)]) == 1
    assert "nothing to shrink" in capsys.readouterr().err


def test_the_vehicles_own_log_is_played_at_its_own_rate_on_the_sessions_clock(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The session's sensors drawn out to 200 Hz as a card's log would have them, on a clock of its own."""
    flight = flight_of_the_twin("calm", 1)
    session = recorded(tmp_path, flight)
    rows = open_review(session).output.rows
    t = np.arange(rows["imu_a"].t[0], rows["imu_a"].t[-1], 0.005)
    named = {
        "accel_x": "accel_x",
        "accel_y": "accel_y",
        "accel_z": "accel_z",
        "gyro_x": "gyro_x",
        "gyro_y": "gyro_y",
        "gyro_z": "gyro_z",
    }
    table = [np.interp(t, rows["imu_a"].t, rows["imu_a"].columns[name]) for name in named]
    table.append(np.interp(t, rows["barometer"].t, rows["barometer"].columns["pressure"]))
    units = ["m/s2"] * 3 + ["rad/s"] * 3 + ["Pa"]
    head = ",".join(["time [s]", *(f"{name} [{unit}]" for name, unit in zip([*named, "pressure"], units, strict=True))])
    lines = [",".join(f"{value:.6g}" for value in row) for row in np.column_stack([*table])]
    log = tmp_path / "card.csv"
    log.write_text("\n".join([head, *(f"{at + 41.7:.4f},{line}" for at, line in zip(t, lines, strict=True))]) + "\n")
    code, said = again(capsys, 1, session, "--onboard", str(log))
    assert code == 3 and "accel.b.x: not recorded; told as accel.a.x" in said
    assert "navigation.rate_z is not a number" in said and "control.enabled goes to 1" in said
    played, exact = recorded_flight(session, log, SANDPIPER)
    steps = np.diff([time_us for time_us, _ in played.moments])
    assert not exact and abs(np.median(steps) - 5000) <= 5


def test_what_has_no_sensors_is_refused_in_a_sentence(tmp_path: Path) -> None:
    rows = open_review(recorded(tmp_path, flight_of_the_twin("calm", 1))).output.rows
    kept = {name: rows[name] for name in ("navigation", "fins", "control")}
    with pytest.raises(RehearsalProblem, match="none of the sensors"):
        flown(kept, SANDPIPER, SANDPIPER)
    with pytest.raises(RehearsalProblem, match="none of the sensors"):
        flown(rows, SANDPIPER, SANDPIPER, {"battery.voltage": Column(np.arange(3.0), np.zeros(3))})


# ---------------------------------------------------------------- what a radio brought, compared


def found(mine: Flown, theirs: Flown, unplayed: frozenset[str] = frozenset()) -> list[str]:
    """Return the components apart when one made-up run is held against the other as a radio's record."""
    said = [
        Said(name, frame.time_us, tuple(float(value) for value in packet))
        for frame in theirs.frames
        if frame.answer is not None
        for name, packet in zip(READER.names, frame.answer.packets, strict=True)
        if packet is not None
    ]
    return [wrong.component for wrong in Comparison(READER, Recorded([], said, [], unplayed), False).wrongs(mine)]


def landing(at_step: int) -> Flown:
    """Return a run that comes down under canopies and says so from a step on."""
    phases = SANDPIPER.roles["vehicle_phase"].values
    words = {False: float(phases.index("descent")), True: float(phases.index("landed"))}
    return made(1500, lambda step: {"vehicle_phase": words[step >= at_step]}, ordered=lambda step: 0x30)


def test_lying_still_may_take_longer_to_believe_than_other_switches() -> None:
    assert found(landing(1200), landing(950)) == found(landing(950), landing(1200)) == []
    assert found(landing(1200), landing(850)) == ["control.phase"] == found(landing(850), landing(1200))


def test_under_canopies_a_velocity_that_leans_on_fixes_is_compared_where_they_are_played() -> None:
    def drifting(speed: float, ordered: int) -> Flown:
        return made(600, lambda step: {"velocity.east": speed}, ordered=lambda step: ordered)

    no_fix = frozenset({"position.east", "position.north"})
    assert found(drifting(0.0, 0x30), drifting(7.0, 0x30), no_fix) == []
    assert found(drifting(0.0, 0x30), drifting(7.0, 0x30)) == ["navigation.vel_east"]
    assert found(drifting(0.0, 0), drifting(7.0, 0), no_fix) == ["navigation.vel_east"]


def test_what_the_fins_are_asked_for_is_compared_until_recovery() -> None:
    def turning(angle: float, ordered: int) -> Flown:
        return made(600, lambda step: {"control.roll_command": angle}, ordered=lambda step: ordered)

    assert found(turning(0.0, 0), turning(0.06, 0)) == found(turning(0.0, 0x30), turning(0.13, 0x30)) == []
    assert found(turning(0.0, 0), turning(0.08, 0)) == ["control.roll_command"]
