"""The excitation of the example (FC_EXCITE), rehearsed: what it moves, when it ends, how much better the fins are known."""

from __future__ import annotations

import random
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from server.cli.rehearse import fly, met
from server.flight.control.roll_authority import EFFECTIVE, RollAuthority, roll_authority
from server.flight.loop.multisine import multisine
from server.rehearsal.closed_loop import Plan
from server.rehearsal.flown import Flown
from server.rehearsal.judging import Wrong
from server.twin.air import Air, Wind
from server.twin.motion import Motion
from server.twin.sandpiper import Vehicle
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import flight_folder, host_program
from tests.server.rehearsal.computers import changed_program
from tests.server.rehearsal.helpers import READER, judge

SEEDS = (2, 4)
UNTIL_S = 13.5  # past the end of control
WAIT_S, PERIODS = 0.8, 2
ALONE = ("fc_control.c", "f->control.enabled ? roll_command(f) : 0.0F", "0.0F * roll_command(f)")
UPRIGHT_ONLY = ("fc_numbers.h", "#define FC_EXCITE_TILT_COSINE 0.819152F", "#define FC_EXCITE_TILT_COSINE 0.9878F")
SPEEDY_ONLY = ("fc_numbers.h", "#define FC_GATE_M_S 15.0F", "#define FC_GATE_M_S 35.0F")

Asked = dict[str, tuple[str, tuple[int, ...]]]  # by name: a scenario and its seeds


@dataclass(frozen=True)
class Rehearsed:
    """One flight: what was told at each step (SI, by role), what the computer said of the excitation, what was wrong."""

    t_s: np.ndarray
    told: dict[str, np.ndarray]
    said: list[str]
    wrongs: list[Wrong]

    @property
    def began_s(self) -> float:
        """When control began."""
        return float(self.t_s[self.told["control.enabled"] > 0.5][0])

    def authority(self) -> RollAuthority:
        """Return what is told of the fins by samples as telemetry has them, 20 a second, while control is on."""
        told, on = self.told, self.told["control.enabled"] > 0.5
        speed2 = sum(told[f"velocity.{axis}"] ** 2 for axis in ("east", "north", "up"))
        pressure = 0.5 * 1.1 * np.exp(-told["position.up"] / 8500.0) * speed2
        picked = np.flatnonzero((self.t_s > self.began_s - 1.0) & (self.t_s <= self.t_s[on][-1]))[::5]
        t = self.t_s[picked]
        rate, fins = (told[role][picked] for role in ("body_rate.z", "fin[1].measured"))
        return roll_authority([(t, rate)], (t, fins), (t, pressure[picked]), expected=true_authority())


def true_authority() -> float:
    """Return the simulated vehicle's own, rad/s2 per Pa and rad."""
    vehicle = Vehicle()
    still = Motion(vehicle, Air(vehicle.site), Wind(vehicle.wind, random.Random(1)))
    return still.aero.roll_coefficient_per_pa_rad(vehicle.body.roll_inertia_kg_m2)


ROLES = (
    "control.enabled", "control.roll_command", "body_rate.z", "fin[1].measured", "position.up",
    "velocity.east", "velocity.north", "velocity.up",
)  # fmt: skip


def read(flown: Flown, said: list[str], wrongs: list[Wrong]) -> Rehearsed:
    answers = [(frame.time_us / 1e6, frame.answer) for frame in flown.frames if frame.answer is not None]
    told = {role: np.array([float(READER.value(one, role) or 0.0) for _, one in answers]) for role in ROLES}
    return Rehearsed(np.array([t for t, _ in answers]), told, said, wrongs)


def rehearse(program: Path, asked: Asked) -> dict[str, list[Rehearsed]]:
    """Fly all that is asked of one program."""
    out: dict[str, list[Rehearsed]] = {}
    with met(program, SANDPIPER) as talk:
        for name, (scenario, seeds) in asked.items():
            for seed in seeds:
                talk.reader.others.clear()
                flown, wrongs, _ = fly(talk, judge(), Plan(load_scenario(scenario), seed, until_s=UNTIL_S))
                frames = [content for content in talk.reader.others if b"excitation" in content]
                said = [frame[11:-2].rstrip(b"\0").decode("ascii") for frame in frames]
                out.setdefault(name, []).append(read(flown, said, wrongs))
    return out


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Rehearsed]]:
    """Fly every build of this file, side by side: each waits two seconds for its own start."""
    alone = changed_program(tmp_path_factory.mktemp("alone"), *ALONE, excite=True)
    upright = changed_program(tmp_path_factory.mktemp("upright"), *UPRIGHT_ONLY, excite=True)
    speedy = changed_program(tmp_path_factory.mktemp("speedy"), *SPEEDY_ONLY, excite=True)
    jobs: list[tuple[Path, Asked]] = [
        (host_program(), {"without": ("calm", SEEDS)}),
        (host_program(excite=True), {"with": ("calm", SEEDS), "gusty": ("gusty-rail", SEEDS[:1])}),
        *(
            (program, {name: ("calm", SEEDS[:1])})
            for name, program in (("alone", alone), ("tilt", upright), ("slow", speedy))
        ),
    ]
    with ThreadPoolExecutor(len(jobs)) as pool:
        return {name: some for told in pool.map(lambda job: rehearse(*job), jobs) for name, some in told.items()}


def test_the_fins_are_better_known_with_it_than_without_and_nothing_goes_wrong(
    rehearsed: dict[str, list[Rehearsed]],
) -> None:
    for plain, excited in zip(rehearsed["without"], rehearsed["with"], strict=True):
        before, after = plain.authority(), excited.authority()
        assert before.verdict == after.verdict == EFFECTIVE and plain.wrongs == excited.wrongs == []
        widths = [one.high - one.low for one in (before, after) if one.high is not None and one.low is not None]
        print(f"authority within +-{widths[0] / 2:.3f} without, +-{widths[1] / 2:.3f} with, true {true_authority():.3f}")
        assert widths[1] < 0.7 * widths[0]
        assert after.low is not None and after.high is not None and after.low < true_authority() < after.high


def test_it_waits_for_the_gate_and_for_the_answer_to_it(rehearsed: dict[str, list[Rehearsed]]) -> None:
    for plain, excited in zip(rehearsed["without"], rehearsed["with"], strict=True):
        before = excited.t_s < excited.began_s + WAIT_S - 0.001
        command = "control.roll_command"
        assert np.array_equal(plain.told[command][before], excited.told[command][before])
        after = (excited.t_s > excited.began_s + WAIT_S + 0.1) & (excited.t_s < excited.began_s + WAIT_S + 3.0)
        assert np.std(excited.told[command][after]) > 2.0 * np.std(plain.told[command][after])
        assert np.abs(excited.told[command]).max() <= 0.1397  # the law's own limit holds for both together


def test_alone_it_is_the_multisine_whose_phases_were_optimized(rehearsed: dict[str, list[Rehearsed]]) -> None:
    """With the law's own command taken out; the table in the C is what the optimizer gives."""
    (one,) = rehearsed["alone"]
    since_s = one.t_s - one.began_s + 0.01 - WAIT_S  # the cycle in which control began counts
    on = (since_s > -1e-6) & (since_s < PERIODS * 1.6 - 0.005)
    command = one.told["control.roll_command"]
    assert command[on] == pytest.approx(0.02 * multisine(1.6, range(1, 7)).at(since_s[on]), abs=1.5e-4)  # steps of 0.0001
    assert on.sum() == 320 and not command[~on].any()
    numbers = (flight_folder() / "flight" / "fc_numbers.h").read_text()
    table = re.search(r"FC_EXCITE_PHASES_RAD \\\n[^\n]*\n\s*([^\n\\]*)", numbers)
    assert table is not None
    found = [float(text.strip().rstrip("F")) for text in table[1].split(",")]
    # Which of several equal optima an optimizer ends in is its own affair; that this one has a low peak is not.
    made = multisine(1.6, range(1, 7))
    assert len(found) == 6 and made.relative_peak_factor < 1.1
    assert np.exp(1j * np.array(found)) == pytest.approx(np.exp(1j * np.array(made.phases_rad)), abs=1e-4)


def test_its_cycles_are_counted_in_what_it_says(rehearsed: dict[str, list[Rehearsed]]) -> None:
    for one in rehearsed["with"]:
        assert one.said == ["excitation begins", "320 cycles of excitation: done"]


def test_it_ends_where_it_leans_too_far_and_with_control(rehearsed: dict[str, list[Rehearsed]]) -> None:
    for build, why in (("tilt", "tilt"), ("slow", "control off")):
        (one,) = rehearsed[build]
        begun, over = one.said
        count = int(over.split()[0])
        assert begun == "excitation begins" and over == f"{count} cycles of excitation: {why}" and 50 < count < 310
        plain, ends_s = rehearsed["without"][0], one.began_s + WAIT_S + 0.01 * count
        # The law alone afterwards, with what the fins were moved before dying away.
        settled = (one.t_s > ends_s + 0.6) & (one.t_s < ends_s + 1.2)
        there = np.interp(one.t_s[settled], plain.t_s, plain.told["control.roll_command"] * (why == "tilt"))
        assert np.abs(one.told["control.roll_command"][settled] - there).max() < 0.01


def test_where_control_is_over_before_it_would_begin_it_never_does(rehearsed: dict[str, list[Rehearsed]]) -> None:
    assert rehearsed["gusty"][0].said == []
