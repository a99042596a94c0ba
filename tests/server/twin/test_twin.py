"""The twin as a whole: same seed same bytes, packets by the dictionary, restarts, crew rules, truth."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from protocol.dictionary import Dictionary
from protocol.vehicle import VehicleLink
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.server.twin.helpers import KEY, Ground, clean_twin, dictionary, make_twin


def test_the_same_seed_gives_the_same_bytes_and_another_does_not() -> None:
    first, second, other = (make_twin(seed=seed, ignite_after_s=3.0).advance(9.0) for seed in (5, 5, 6))
    assert len(first) > 20000
    assert first == second != other


@pytest.mark.parametrize("step_s", [0.0031, 0.1, 2.7])
def test_the_step_of_advance_changes_nothing(step_s: float) -> None:
    whole = make_twin("thin-link", ignite_after_s=2.0).advance(5.4)
    twin, parts, time = make_twin("thin-link", ignite_after_s=2.0), b"", 0.0
    while time < 5.4:
        time = min(5.4, time + step_s)
        parts += twin.advance(time)
    assert parts == whole


def test_time_never_runs_backward() -> None:
    twin = make_twin()
    twin.advance(1.0)
    assert twin.advance(0.5) == b""
    with pytest.raises(ValueError):
        twin.advance(math.nan)


def test_packets_come_at_the_rates_of_the_dictionary() -> None:
    ground = Ground(clean_twin())
    ground.run(1.0)
    heard = ground.run(10.0)
    for name, packet in dictionary().packets.items():
        if packet.rate_hz:
            count = sum(1 for h in heard if h.name == name)
            assert count == pytest.approx(10.0 * packet.rate_hz, abs=1)
    # A clean channel really loses nothing: other tests rest on it.
    truth = ground.twin.truth()
    assert truth["downlink_frames_sent"] > 500 and truth["downlink_frames_lost"] == truth["downlink_frames_dropped"] == 0


def test_vehicle_time_is_the_time_of_the_cycle() -> None:
    ground = Ground(clean_twin())
    heard = ground.run(3.0)
    times = [h.vehicle_ms for h in heard if h.name == "navigation"]
    assert {b - a for a, b in zip(times, times[1:], strict=False)} == {50}


def starts_of(said: dict[str, object]) -> int:
    """Return the start id an identity packet tells."""
    return int(said["boot_high"]) << 32 | int(said["boot_low"])


def test_startup_is_announced_three_times() -> None:
    ground = Ground(clean_twin())
    heard = ground.run(3.0)
    assert [h.name for h in heard].count("startup") == 3
    said = [h.values for h in heard if h.name == "identity"]
    assert len(said) >= 3 and {starts_of(s) for s in said} == {3}
    assert {s["dictionary_hash"] for s in said} == {dictionary().hash32}


def test_a_restart_takes_a_new_boot_id_a_zero_clock_and_a_safe_state() -> None:
    ground = Ground(clean_twin())
    ground.run(3.0)
    ground.order("ground_test", on=1)
    ground.order("board_release")
    ground.order("channel_arm", channel=1)
    ground.order("camera_power", camera=1, on=1)
    old = ground.frame("channel_fire", channel=1)
    ground.twin.reboot()
    heard = ground.run(3.0)
    assert {starts_of(h.values) for h in heard if h.name == "identity"} == {ground.twin.boot_id}
    assert ground.twin.boot_id not in (3, 4), "nobody without the key can foretell it"
    assert max(h.vehicle_ms for h in heard if h.name == "link") < 3100
    assert ground.last("link")["last_counter"] == 0
    assert ground.last("motors")["board_inhibited"] == 1
    assert ground.last("motors")["channel_1_armed"] == 0
    assert ground.last("cameras")["camera_1_powered"] == 0
    ground.twin.uplink(old)
    ground.run(1.0)
    assert ground.twin.orders.executed == []
    assert ground.last("motors")["channel_1_fired"] == 0


def test_the_wire_is_made_anew_at_each_start() -> None:
    made: list[int] = []

    def make(known: Dictionary, key: bytes, boot_id: int) -> VehicleLink:
        made.append(boot_id)
        return VehicleLink(known, key, boot_id)

    calm = load_scenario("calm")
    twin = Twin(scenario=calm, seed=1, dictionary=dictionary(), key=KEY, boot_id=7, make_link=make)
    twin.reboot()
    assert made[0] == 7 and made[1] == twin.boot_id != 7


def test_the_crew_waits_for_the_end_of_ground_test() -> None:
    ground = Ground(clean_twin(ignite_after_s=6.0))
    ground.run(3.0)
    ground.order("ground_test", on=1)
    ground.run(10.0)
    assert ground.twin.truth()["ignition_s"] is None
    ground.order("ground_test", on=0)
    left = ground.now_s
    ground.run(12.0)
    assert left + 8.0 < ground.twin.truth()["ignition_s"] < left + 11.0


def test_without_ignition_it_stays_on_the_pad() -> None:
    ground = Ground(clean_twin())
    ground.run(20.0)
    nav = ground.last("navigation")
    assert [nav[name] for name in ("east", "north", "up", "vel_up")] == [0.0, 0.0, 0.0, 0.0]
    assert ground.last("imu_a")["accel_z"] == pytest.approx(9.80665, abs=0.6)
    assert abs(ground.last("barometer")["altitude"]) < 1.5
    assert ground.twin.landed is False


def test_a_whole_flight_on_the_wire_and_its_truth() -> None:
    ground = Ground(clean_twin(ignite_after_s=5.0))
    while not ground.twin.landed and ground.now_s < 120.0:
        ground.run(1.0)
    truth = json.loads(json.dumps(ground.twin.truth(), allow_nan=False))
    assert truth["ignition_s"] < truth["liftoff_s"] < truth["rail_exit_s"] < truth["burnout_s"] < truth["apogee_s"]
    assert truth["apogee_s"] < truth["deployment_s"] < truth["landing_s"]
    phases = [h.values["phase"] for h in ground.heard if h.name == "control"]
    order = [phase for phase, before in zip(phases, [None, *phases], strict=False) if phase != before]
    assert order == ["startup", "pad", "boost", "coast", "descent", "landed"]
    # What it says of itself agrees with the truth.
    told = [h.values for h in ground.heard if h.name == "navigation"]
    assert max(v["up"] for v in told) == pytest.approx(truth["apogee_m"], rel=0.01)
    assert max(h.values["altitude"] for h in ground.heard if h.name == "barometer" and h.vehicle_ms < 12500) == (
        pytest.approx(truth["apogee_m"], rel=0.01)
    )
    assert told[-1]["east"] == pytest.approx(truth["landing_east_m"], abs=8.0)
    assert told[-1]["north"] == pytest.approx(truth["landing_north_m"], abs=8.0)
    assert all(abs(sum(v[f"q_{axis}"] ** 2 for axis in "wxyz") - 1.0) < 1e-5 for v in told)
    texts = [h.values["text"] for h in ground.heard if h.name == "event"]
    for word in ("startup", "lift-off", "burnout", "control enabled", "deployment", "landed"):
        assert any(word in text for text in texts), word
    assert ground.last("recovery")["recovery_1_fired"] == ground.last("recovery")["recovery_2_fired"] == 1
    # It lies on its side.
    side = math.hypot(ground.last("imu_a")["accel_x"], ground.last("imu_a")["accel_y"])
    assert side == pytest.approx(9.8, abs=0.5)
    check_trajectory(ground.twin.trajectory(), truth)


def check_trajectory(path: dict[str, np.ndarray], truth: dict[str, object]) -> None:
    assert path["up_m"].max() == pytest.approx(truth["apogee_m"])
    assert path["t_s"][path["up_m"].argmax()] == pytest.approx(truth["apogee_s"], abs=0.01)
    assert np.all(np.diff(path["t_s"]) > 0.0)
    assert np.isfinite(np.column_stack([v.reshape(len(path["t_s"]), -1) for v in path.values()])).all()
    # Velocity is the derivative of position.
    rate = np.gradient(path["up_m"], path["t_s"])
    # Before the charge: there the velocity jumps.
    flying = (path["t_s"] > truth["rail_exit_s"]) & (path["t_s"] < truth["separation_s"] - 0.05)
    assert np.abs(rate - path["vel"][:, 2])[flying].max() < 0.1


def test_a_flight_without_parachutes_still_ends() -> None:
    ground = Ground(clean_twin(ignite_after_s=3.0, firing__recovery_continuity=(False, False)))
    ground.run(30.0)
    assert ground.twin.landed
    assert ground.twin.truth()["landing_speed_m_s"] > 30.0
    warnings = [h.values["text"] for h in ground.heard if h.name == "event" and h.values["severity"] == "warning"]
    assert len(warnings) == 2
