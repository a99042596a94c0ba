"""What a search leaves must be the mistake's own doing: the build without the mistake does not show it."""

from __future__ import annotations

from server.cli.rehearse import fly, met
from server.rehearsal.cases import Moment, Player, Step, moments_of, moved_together, shrunk
from server.rehearsal.closed_loop import Plan
from server.rehearsal.judging import APART, Judge
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import host_program

PHASES = SANDPIPER.roles["vehicle_phase"].values


def test_one_apart_from_the_twins_own_is_shrunk_to_what_a_clean_build_does_not_show() -> None:
    """The fifth mistake; a search that lets single steps grow long finds the clean build guilty as well."""
    scenario = load_scenario("calm")
    with met(host_program(5), SANDPIPER) as talk:
        judge = Judge(talk.reader, PHASES)
        flown, wrongs, _ = fly(talk, judge, Plan(scenario, until_s=7.6))
        assert wrongs[0].kind == APART and "control.phase goes to boost" in wrongs[0].began
        player = Player(talk, judge, scenario.vehicle())
        case = shrunk(player, moments_of(flown), wrongs[0], SANDPIPER)
        seen = player.shows(case.moments, case.kind, case.component)
    assert seen is not None and set(wrongs[0].began) <= set(seen.began)
    assert case.frames < len(flown.frames) / 2 and list(case.channels) == ["sensors.accel_a_z"]
    with met(host_program(0), SANDPIPER) as talk:
        player = Player(talk, Judge(talk.reader, PHASES), scenario.vehicle())
        assert player.shows(case.moments, case.kind, case.component) is None


def test_steps_moved_together_keep_their_length() -> None:
    def moment(at_us: int, late_us: int = 0) -> Moment:
        return at_us, (("fix", max(0, at_us - late_us), (1.0, 2.0)), ("sensors", at_us, (3.0,)))

    steps = [Step(10_000, moment(10_000)), Step(30_000, moment(50_000, 10_000)), Step(10_000, moment(90_000))]
    times = [[time_us for _, time_us, _ in stimuli] for _, stimuli in moved_together(steps)]
    assert [time_us for time_us, _ in moved_together(steps)] == [10_000, 40_000, 50_000]
    assert times == [[10_000, 10_000], [30_000, 40_000], [50_000, 50_000]]
