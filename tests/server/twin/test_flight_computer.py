"""Phases by the computer's own sensors: no false lift-off, deployment by estimate or by timer, the state table."""

from __future__ import annotations

import pytest

from server.twin.flight_computer import MOVES, PHASES
from tests.server.flights import flown
from tests.server.twin.helpers import Ground, clean_twin, dictionary


def test_phases_are_those_of_the_dictionary_and_all_stand_in_the_table() -> None:
    channel = dictionary().packets["control"].channel("phase")
    assert tuple(channel.values) == PHASES
    assert set(MOVES) == set(PHASES)
    assert all(new in PHASES for moves in MOVES.values() for _, new in moves)


def test_no_lift_off_is_seen_in_ground_test() -> None:
    ground = Ground(clean_twin())
    ground.run(2.5)
    ground.order("ground_test", on=1)
    # The motor lights all the same: the computer must still not take its channels for those of a flight.
    ground.twin.motion.ignite()
    ground.run(1.0)
    assert ground.last("control")["phase"] == "ground test"
    assert ground.last("recovery")["recovery_1_armed"] == 0


def test_lift_off_is_recognized_within_a_tenth_of_a_second() -> None:
    ground = Ground(clean_twin(ignite_after_s=3.0))
    ground.run(4.0)
    said = next(h for h in ground.heard if h.name == "event" and "lift-off" in h.values["text"])
    assert 0.0 < said.vehicle_ms / 1000.0 - ground.twin.truth()["liftoff_s"] < 0.11
    # What was flown before it was recognized is not lost.
    nav, truth = ground.last("navigation"), ground.twin.trajectory()
    assert nav["vel_up"] == pytest.approx(truth["vel"][-1, 2], abs=3.0)


def test_control_ends_with_deployment_and_fins_center() -> None:
    ground = Ground(clean_twin(ignite_after_s=3.0))
    ground.run(13.0)
    control = ground.last("control")
    assert (control["phase"], control["enabled"], control["deployed"], control["separated"]) == ("descent", 0, 1, 1)
    assert control["mode"] == "centered" and control["roll_command"] == 0.0
    assert ground.last("fins")["fin_1_commanded"] == 0.0


def test_the_timer_deploys_when_the_estimate_never_says_down() -> None:
    # An apogee test that can never hold leaves only the timer.
    twin = clean_twin(ignite_after_s=3.0, control__apogee_hold_s=1e9, control__latest_deployment_s=11.0)
    twin.advance(16.0)
    truth = twin.truth()
    assert truth["deployment_s"] == pytest.approx(truth["liftoff_s"] + 11.0, abs=0.15)


def test_one_parachute_lands_faster_than_two() -> None:
    one = clean_twin(ignite_after_s=3.0, firing__recovery_continuity=(True, False))
    one.advance(55.0)
    speed_m_s = one.truth()["landing_speed_m_s"]
    assert 4.0 < flown("calm").truth["landing_speed_m_s"] < 7.0 < speed_m_s
