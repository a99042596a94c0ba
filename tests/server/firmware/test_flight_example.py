"""The example flight computer, compiled and flown on what the twin's sensors said.

Its deployment and its state are compared with the twin: its own computer sees the same sensors, and its motion is the truth.
"""

from __future__ import annotations

import random
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from server.firmware.flight_source import FAULTS, PARTS, board_command, host_command, write_flight
from server.firmware.layout import FirmwareProblem
from server.twin.air import Air, Wind
from server.twin.motion import Motion
from server.twin.sandpiper import Vehicle
from tests.server.firmware.build import SANITIZED, SMALL_2, STRICT
from tests.server.firmware.flight_build import flight_folder, host_program, run_in
from tests.server.firmware.flight_play import AFTER_LANDING_CYCLES, ANSWERS, HostComputer, recorded_flight

ALL_PHASES = ["startup", "pad", "boost", "coast", "descent", "landed"]


BUILDS = [(True, False), (False, False), (True, True)]  # for rehearsal, with side motors


@pytest.mark.parametrize(("rehearsal", "side_motors"), BUILDS, ids=["rehearsal", "flight", "side motors"])
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_it_compiles_without_a_warning(compiler: str, rehearsal: bool, side_motors: bool) -> None:
    whole = [compiler, "-std=c99", "-O2", *STRICT]
    name = f"strict_{compiler}_{int(rehearsal)}_{int(side_motors)}"
    run_in(flight_folder(), host_command(name, rehearsal=rehearsal, side_motors=side_motors, compiler=whole))


@pytest.mark.parametrize("fault", range(FAULTS + 1))
@pytest.mark.parametrize("compiler", ["gcc", "clang", "arm-none-eabi-gcc"])
def test_every_variant_compiles_without_a_warning(compiler: str, fault: int) -> None:
    parts = [f"flight/fc_{part}.c" for part in PARTS]
    define = ["-DBH_REHEARSAL", f"-DFC_FAULT={fault}"]
    for part in parts:
        run_in(flight_folder(), [compiler, "-std=c99", "-O2", *STRICT, *define, "-c", part, "-o", "variant.o"])


@pytest.mark.parametrize("build", [host_command, board_command])
def test_side_motors_are_not_built_for_flight(build: Callable[..., list[str]]) -> None:
    asked = build("refused", rehearsal=False, side_motors=True)
    told = subprocess.run(asked, cwd=flight_folder(), capture_output=True, text=True, check=False)
    assert told.returncode != 0 and "is not built for flight" in told.stderr


@pytest.mark.parametrize(("rehearsal", "side_motors"), BUILDS)
def test_it_compiles_for_the_board_without_a_warning(rehearsal: bool, side_motors: bool) -> None:
    strict = ["arm-none-eabi-gcc", "-std=c99", "-O2", *(flag for flag in STRICT if flag != "-Wpedantic")]
    run_in(flight_folder(), board_command("strict.elf", rehearsal=rehearsal, side_motors=side_motors, compiler=strict))


def test_it_is_the_sandpipers_and_says_so(tmp_path: Path) -> None:
    with pytest.raises(FirmwareProblem, match="Sandpiper"):
        write_flight(SMALL_2, tmp_path / "flight")
    assert not (tmp_path / "flight").exists()


def test_its_fin_authority_is_the_vehicles() -> None:
    vehicle = Vehicle()
    still = Motion(vehicle, Air(vehicle.site), Wind(vehicle.wind, random.Random(1)))
    there = still.aero.roll_coefficient_per_pa_rad(vehicle.body.roll_inertia_kg_m2)
    lines = (flight_folder() / "flight" / "fc_numbers.h").read_text().splitlines()
    said, *_ = [line.split()[2].rstrip("F") for line in lines if line.startswith("#define FC_FIN_AUTHORITY")]
    assert float(said) == pytest.approx(there, rel=1e-4)


def test_it_flies_from_the_pad_to_the_ground(tmp_path: Path) -> None:
    flight = recorded_flight()
    with HostComputer(host_program(), tmp_path) as computer:
        answers = computer.play(flight.cycles, computer.enter())
        steps = computer.order
    assert [phase for _, phase in answers.phases()] == ALL_PHASES, answers.phases()
    ordered_s = answers.ordered_s()
    print(f"phases {answers.phases()}, recovery ordered at {ordered_s} s, by the twin's computer at {flight.deployment_s} s")
    assert ordered_s is not None and abs(ordered_s - flight.deployment_s) <= 0.2
    assert answers.packets[-1]["rehearsal"]["ordered"] == float(0x30) and answers.packets[-1]["rehearsal"]["orders"] == 2.0
    assert answers.packets[-1]["rehearsal"]["missed"] == answers.packets[-1]["rehearsal"]["refused"] == 0.0
    assert 0 < answers.packets[-1]["rehearsal"]["cycle_us"] < 5000.0
    landed_s = answers.phases()[-1][0]
    assert flight.landing_s < landed_s < flight.landing_s + 0.01 * AFTER_LANDING_CYCLES + 4.0
    # each step is answered in the dictionary's order
    ends = [place for place, name in enumerate(steps) if name == "rehearsal"][-1000:]
    assert all(tuple(steps[end - len(ANSWERS) : end]) == ANSWERS for end in ends)


def test_its_state_is_close_to_the_truth(tmp_path: Path) -> None:
    flight = recorded_flight()
    with HostComputer(host_program(), tmp_path) as computer:
        states = computer.play(flight.cycles, computer.enter()).states()
    truth = np.array([cycle.truth for cycle in flight.cycles])
    climbing = np.arange(len(truth)) * 0.01 < flight.apogee_s
    error = np.abs(states - truth)
    for name, rows in (("to apogee", climbing), ("all", np.ones(len(truth), dtype=bool))):
        print(f"{name}: position {error[rows, :3].max(0).round(2)} m, velocity {error[rows, 3:6].max(0).round(2)} m/s")
    up = 1.0 - 2.0 * (states[:, 7] ** 2 + states[:, 8] ** 2)
    tilt = np.degrees(np.arccos(np.clip(up, -1.0, 1.0)))
    true_tilt = np.degrees(np.arccos(np.clip(1.0 - 2.0 * (truth[:, 7] ** 2 + truth[:, 8] ** 2), -1.0, 1.0)))
    print(f"tilt to apogee {np.abs(tilt - true_tilt)[climbing].max():.2f} degrees")
    # a fix is right to 1.4 m (one sigma), a pressure to 0.2 m, a force to 0.06 m/s2, for the 8 s of the climb
    assert error[climbing, :2].max() < 4.0 and error[climbing, 2].max() < 1.0
    assert error[climbing, 3:6].max() < 0.6 and np.abs(tilt - true_tilt)[climbing].max() < 1.5


def test_the_same_stimuli_give_the_same_bytes_of_state(tmp_path: Path) -> None:
    cycles = recorded_flight().cycles[:1600]
    states = []
    for run in range(2):
        (tmp_path / str(run)).mkdir()
        with HostComputer(host_program(), tmp_path / str(run)) as computer:
            states.append(computer.play(cycles, computer.enter()).states().tobytes())
    assert states[0] == states[1]


def test_nothing_undefined_happens_in_a_flight(tmp_path: Path) -> None:
    """The compiler's own checks of addresses and arithmetic end the program where there is something to say."""
    run_in(flight_folder(), host_command("sanitized", compiler=["gcc", "-std=c99", *SANITIZED]))
    with HostComputer(flight_folder() / "sanitized", tmp_path) as computer:
        computer.play(recorded_flight().cycles, computer.enter())
    assert computer.process.returncode == 0


def test_a_second_rehearsal_begins_anew_and_the_clock_never_goes_back(tmp_path: Path) -> None:
    cycles = recorded_flight().cycles[:1200]
    with HostComputer(host_program(), tmp_path) as computer:
        first = computer.play(cycles, computer.enter())
        played_ms = computer.now_ms
        assert computer.command("rehearsal_leave")[1:] == ("completed", "none")
        computer.wait("control")
        assert computer.packets["control"]["phase"] == 1.0 and computer.packets["rehearsal"]["state"] == 0.0
        assert computer.now_ms >= played_ms
        second = computer.play(cycles, computer.enter())
        assert computer.link.epoch == 0, "the clock went back: the ground took it for a restart"
    assert first.states().tobytes() == second.states().tobytes()


def test_continuity_ends_it(tmp_path: Path) -> None:
    connected = tmp_path / "continuity"
    connected.write_text("0\n")
    with HostComputer(host_program(), tmp_path, [str(connected)]) as computer:
        computer.play(recorded_flight().cycles[:50], computer.enter())
        connected.write_text("16\n")  # the first recovery channel
        while computer.packets["rehearsal"]["state"] != 0.0:
            computer.wait("rehearsal")
        ended = computer.link.dictionary.packets["rehearsal"].channel("ended")
        assert ended.text_of(float(computer.packets["rehearsal"]["ended"])) == "continuity"


def test_a_flight_build_refuses(tmp_path: Path) -> None:
    with HostComputer(host_program(rehearsal=False), tmp_path) as computer:
        while computer.packets.get("control", {}).get("phase") != 2.0:
            computer.wait("control")
        computer.wait("identity")
        assert computer.packets["identity"]["build"] == 0.0 and "rehearsal" not in computer.packets
        assert computer.command("ground_test", {"on": 1})[1:] == ("completed", "none")
        assert computer.command("rehearsal_enter")[1:] == ("refused", "not in this build")
