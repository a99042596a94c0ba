"""Commands through the real wire: obeyed, refused with the right reason, executed once, arming that expires."""

from __future__ import annotations

import pytest

from server.twin.orders import RULES
from tests.server.twin.helpers import Ground, answers, clean_twin, dictionary

DONE = [("accepted", "none"), ("completed", "none")]


def on_pad(**more) -> Ground:
    ground = Ground(clean_twin(**more))
    ground.run(2.5)
    return ground


def in_ground_test(**more) -> Ground:
    ground = on_pad(**more)
    assert ground.order("ground_test", on=1) == DONE
    return ground


def refused(reason: str) -> list[tuple[str, str]]:
    return [("refused", reason)]


OF_A_REHEARSAL = {"rehearsal_enter": {}, "rehearsal_leave": {}, "simulator_connect": {"channel": 1}}


def test_every_command_of_the_dictionary_has_a_rule_but_those_that_the_wire_refuses() -> None:
    assert set(RULES) == dictionary().commands.keys() - OF_A_REHEARSAL.keys()


@pytest.mark.parametrize("command", OF_A_REHEARSAL)
def test_the_twins_computer_is_a_flight_build_and_rehearses_nothing(command: str) -> None:
    ground = in_ground_test()
    assert ground.order(command, **OF_A_REHEARSAL[command]) == refused("not in this build")
    assert ground.twin.computer.phase == "ground test"


def test_ping_is_answered_and_shows_in_the_link_packet() -> None:
    ground = on_pad()
    assert ground.order("ping") == DONE
    assert ground.last("link")["last_counter"] == 1
    assert ground.last("link")["frames_good"] == 1


@pytest.mark.parametrize("camera", [1, 2, 3])
def test_camera_is_powered_and_records(camera: int) -> None:
    ground = on_pad()
    assert ground.order("camera_power", camera=camera, on=1, wait_s=1.5) == DONE
    assert ground.last("cameras")[f"camera_{camera}_powered"] == 1
    assert ground.order("camera_record", camera=camera, on=1, wait_s=1.5) == [("accepted", "none")]
    ground.run(1.0)
    assert ground.last("cameras")[f"camera_{camera}_recording"] == 1
    before = ground.last("cameras")[f"camera_{camera}_storage"]
    ground.run(3.0)
    assert ground.last("cameras")[f"camera_{camera}_storage"] < before
    assert ground.order("camera_power", camera=camera, on=0) == DONE
    assert ground.last("cameras")[f"camera_{camera}_recording"] == 0


def test_recording_without_power_is_accepted_and_fails() -> None:
    ground = on_pad()
    assert ground.order("camera_record", camera=1, on=1, wait_s=4.5) == [
        ("accepted", "none"),
        ("failed", "effect not seen"),
    ]


def test_a_camera_that_is_not_fitted_is_refused_by_the_vehicle_too() -> None:
    """The dictionary does not let the ground ask for it; the vehicle does not rely on that."""
    assert RULES["camera_power"].refuse(on_pad().twin.computer, {"camera": 4, "on": 1}) == "not fitted"


def test_ground_test_moves_fins_and_leaving_centers_them() -> None:
    ground = in_ground_test()
    assert ground.last("control")["phase"] == "ground test"
    assert ground.last("control")["mode"] == "bench"
    assert ground.order("fin_move", fin=2, angle=0.2) == DONE
    # The effect the dictionary names: measured within 0.02 rad.
    assert ground.last("fins")["fin_2_measured"] == pytest.approx(0.2, abs=0.02)
    assert ground.last("fins")["fin_1_measured"] == pytest.approx(0.0, abs=0.02)
    assert ground.order("fin_center") == DONE
    assert ground.last("fins")["fin_2_measured"] == pytest.approx(0.0, abs=0.02)
    ground.order("fin_move", fin=1, angle=-0.26)
    assert ground.order("ground_test", on=0) == DONE
    assert ground.last("control")["phase"] == "pad"
    assert ground.last("fins")["fin_1_measured"] == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize(
    ("command", "args", "reason"),
    [
        ("fin_move", {"fin": 1, "angle": 0.1}, "not in ground test"),
        ("fin_center", {}, "not in ground test"),
        ("channel_arm", {"channel": 1}, "board inhibited"),
        ("channel_fire", {"channel": 1}, "not in ground test"),
        ("recovery_arm", {"channel": 1}, "not in ground test"),
        ("recovery_fire", {"channel": 1}, "not in ground test"),
    ],
)
def test_refused_on_the_pad(command: str, args: dict[str, float], reason: str) -> None:
    ground = on_pad()
    assert ground.order(command, **args) == refused(reason)
    assert ground.twin.orders.executed == []


@pytest.mark.parametrize("command", ["ground_test", "board_release"])
def test_refused_while_starting_up(command: str) -> None:
    ground = Ground(clean_twin())
    ground.run(0.5)
    args = {"on": 1} if command == "ground_test" else {}
    assert ground.order(command, **args) == refused("not in this phase")


def test_arm_and_fire_a_lateral_motor_step_by_step() -> None:
    ground = in_ground_test()
    assert ground.order("channel_fire", channel=3) == refused("board inhibited")
    assert ground.order("channel_arm", channel=3) == refused("board inhibited")
    assert ground.order("board_release") == DONE
    assert ground.last("motors")["board_inhibited"] == 0
    assert ground.order("channel_fire", channel=3) == refused("not armed")
    assert ground.order("channel_arm", channel=3) == DONE
    assert ground.last("motors")["channel_3_armed"] == 1
    assert ground.order("channel_fire", channel=3) == DONE
    state = ground.last("motors")
    assert (state["channel_3_fired"], state["channel_3_armed"], state["channel_3_continuity"]) == (1, 0, 0)
    assert state["channel_1_fired"] == state["channel_2_fired"] == state["channel_4_fired"] == 0
    assert ground.order("channel_arm", channel=3) == refused("no continuity")


def test_an_open_igniter_refuses_to_arm() -> None:
    ground = in_ground_test(firing__lateral_continuity=(True, False, True, True))
    ground.order("board_release")
    assert ground.order("channel_arm", channel=2) == refused("no continuity")


def test_arming_expires_after_sixty_seconds() -> None:
    ground = in_ground_test()
    ground.order("board_release")
    ground.order("channel_arm", channel=1)
    ground.order("recovery_arm", channel=2)
    ground.run(57.0)
    assert ground.last("motors")["channel_1_armed"] == 1
    ground.run(4.0)
    assert ground.last("motors")["channel_1_armed"] == 0
    assert ground.last("recovery")["recovery_2_armed"] == 0
    assert ground.order("channel_fire", channel=1) == refused("not armed")


@pytest.mark.parametrize(("command", "args"), [("safe_all", {}), ("board_inhibit", {}), ("channel_safe", {"channel": 1})])
def test_lateral_channels_are_safed(command: str, args: dict[str, float]) -> None:
    ground = in_ground_test()
    ground.order("board_release")
    ground.order("channel_arm", channel=1)
    assert ground.order(command, **args) == DONE
    assert ground.last("motors")["channel_1_armed"] == 0
    assert ground.last("motors")["board_inhibited"] == int(command != "channel_safe")


def test_recovery_on_the_ground() -> None:
    ground = in_ground_test()
    assert ground.order("recovery_fire", channel=1) == refused("not armed")
    ground.order("recovery_arm", channel=1)
    assert ground.last("recovery")["recovery_1_armed"] == 1
    assert ground.order("recovery_safe", channel=1) == DONE
    assert ground.last("recovery")["recovery_1_armed"] == 0
    ground.order("recovery_arm", channel=1)
    ground.order("recovery_arm", channel=2)
    assert ground.order("safe_all") == DONE
    both = [ground.last("recovery")[f"recovery_{n}_armed"] for n in (1, 2)]
    assert both == [1, 1], "Safe all never touches them: a replayed one must not cost a parachute"
    assert ground.order("recovery_safe", channel=2) == DONE
    assert ground.last("recovery")["recovery_2_armed"] == 0
    assert ground.order("recovery_fire", channel=1) == DONE
    assert ground.last("recovery")["recovery_1_fired"] == 1
    assert ground.last("recovery")["recovery_1_continuity"] == 0
    assert ground.order("recovery_arm", channel=1) == refused("no continuity")


def test_leaving_ground_test_makes_everything_safe() -> None:
    ground = in_ground_test()
    ground.order("board_release")
    ground.order("channel_arm", channel=4)
    ground.order("recovery_arm", channel=1)
    ground.order("ground_test", on=0)
    assert ground.last("motors")["channel_4_armed"] == 0
    assert ground.last("motors")["board_inhibited"] == 1
    assert ground.last("recovery")["recovery_1_armed"] == 0


def test_in_flight_safe_all_keeps_the_parachutes_armed() -> None:
    ground = Ground(clean_twin(ignite_after_s=3.0))
    ground.run(5.0)
    assert ground.last("control")["phase"] in ("boost", "coast")
    assert ground.last("recovery")["recovery_1_armed"] == 1
    assert ground.order("safe_all") == DONE
    assert ground.last("recovery")["recovery_1_armed"] == ground.last("recovery")["recovery_2_armed"] == 1
    assert ground.order("recovery_safe", channel=1, wait_s=0.5) == refused("not in this phase")
    assert ground.order("ground_test", on=1, wait_s=0.5) == refused("not in this phase")
    assert ground.order("board_release", wait_s=0.5) == refused("not in this phase")
    assert ground.order("channel_arm", channel=1, wait_s=0.5) == refused("not in this phase")
    ground.run(5.0)
    assert ground.twin.truth()["deployment_s"] is not None
    assert ground.twin.motion.milestones.separation_s is not None


def test_a_repeat_is_answered_again_and_executed_once() -> None:
    """I8: each (boot id, counter) at most once."""
    ground = on_pad()
    frame = ground.frame("camera_power", camera=2, on=1)
    for _ in range(4):
        ground.twin.uplink(frame)
        heard = ground.run(1.0)
        assert answers(heard, 1)[-1] == ("completed", "none")
    assert ground.twin.orders.executed == [(1, "camera_power")]


def test_old_counters_and_other_boots_are_refused_and_counted() -> None:
    ground = on_pad()
    ground.counter = 100
    ground.order("ping")
    ground.twin.uplink(ground.frame("board_release", counter=50))
    assert answers(ground.run(1.0), 50) == refused("old counter")
    ground.twin.uplink(ground.frame("board_release", counter=200, boot_id=2))
    assert answers(ground.run(1.0), 200) == refused("other boot")
    assert ground.twin.orders.executed == [(101, "ping")]
    assert ground.last("link")["frames_bad"] == 2
    assert ground.last("motors")["board_inhibited"] == 1


def test_damage_and_a_wrong_key_execute_nothing() -> None:
    ground = on_pad()
    frame = bytearray(ground.frame("ping"))
    frame[9] ^= 0x10
    ground.twin.uplink(bytes(frame))
    ground.run(1.0)
    assert ground.twin.orders.executed == []
    assert ground.last("link")["frames_bad"] == 1


def test_a_frame_in_pieces_is_still_one_command() -> None:
    ground = on_pad()
    for byte in ground.frame("ping"):
        ground.twin.uplink(bytes([byte]))
        ground.run(0.02)
    ground.run(0.1)
    assert ground.twin.orders.executed == [(1, "ping")]
