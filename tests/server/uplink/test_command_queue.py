"""The command queue by example: what each person reads, one rule at a time (chaos: test_command_invariants)."""

from __future__ import annotations

import dataclasses

import pytest

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary, parse_dictionary
from server.telemetry.conditions import Reading
from server.uplink.addressee import Addressee
from server.uplink.command_entry import Changed, Prepare, Transmit
from server.uplink.command_queue import CommandQueue
from server.uplink.command_table import KEPT_ENDED
from server.uplink.rules import NOT_SAFE_YET
from tests.server.uplink.queue_oracles import Oracle
from tests.server.uplink.queue_world import KEY, A, B, Disk, Sent, World, dictionary, first_wire, ready_world

BLANK = "the vehicle has not been heard yet, so no command can be addressed to it"


def sent(world: World) -> list[Sent]:
    return [item for item in world.log if isinstance(item, Sent)]


def commands_sent(world: World) -> list[str]:
    codes = [o[1].command for o in sorted(oracle_of(world).frames.values(), key=lambda f: f[4])]
    return codes


def oracle_of(world: World) -> Oracle:
    oracle = Oracle(world)
    oracle.look()
    return oracle


def view(world: World, id: str | None) -> dict[str, object]:
    return world.views[world.generation, str(id)]


# ---------------------------------------------------------------- the right way


def test_hazardous_command_goes_from_arm_to_verified() -> None:
    world = ready_world()
    armed = world.arm("channel_arm", channel=2)
    assert armed.sentence == "Arm lateral motor is ready, confirm within 10 s"
    assert [c.met for c in armed.checks] == [True] * 10
    assert view(world, armed.id)["expires_rx"] == pytest.approx(world.now_s + 10)
    assert view(world, armed.id)["earliest_confirm_rx"] == pytest.approx(world.now_s + 0.3)
    assert sent(world) == []
    world.advance(0.5)
    assert world.confirm(armed.id, "channel_arm", channel=2).sentence == "Arm lateral motor confirmed"
    world.advance(1.0)
    assert view(world, armed.id)["state_text"] == "verified by telemetry"
    assert [s["step"] for s in view(world, armed.id)["steps"]] == [
        "asked", "armed", "confirmed", "sent", "accepted", "completed", "verified",
    ]  # fmt: skip
    assert all(s["rx"] is not None for s in view(world, armed.id)["steps"])
    assert [e.command for e in world.vehicle.executed] == ["channel_arm"]
    assert oracle_of(world).hazardous == 1


def test_routine_command_needs_one_act_and_is_verified() -> None:
    world = ready_world()
    reply = world.submit("camera_power", camera=1, on=1)
    world.advance(0.6)
    assert view(world, reply.id)["state"] == "verified"
    assert view(world, reply.id)["args_text"] == "camera 1, on"


def test_commands_wait_their_turn() -> None:
    world = ready_world()
    first, second = world.submit("ping"), world.submit("camera_power", camera=1, on=1)
    assert second.sentence == "waiting to be sent"
    assert len(sent(world)) == 1
    world.advance(1.5)
    assert [view(world, r.id)["state"] for r in (first, second)] == ["verified", "verified"]


# ---------------------------------------------------------------- refusals, in words


def test_what_is_refused_before_anything_is_queued() -> None:
    world = ready_world()
    cases = {
        "the dictionary has no command 'launch'": world.submit("launch"),
        "channel = None: is missing": world.arm("channel_arm"),
        "volume = 11: is not an argument of ping": world.submit("ping", volume=11),
        "channel = True: must be a number": world.arm("channel_arm", channel=True),
        "channel = '1': must be a number": world.arm("channel_arm", channel="1"),
        "channel = nan: must be 1..4": world.arm("channel_arm", channel=float("nan")),
        "channel = inf: must be 1..4": world.arm("channel_arm", channel=float("inf")),
        "channel = 5: must be 1..4": world.arm("channel_arm", channel=5),
        "channel = 1.5: does not fit u8": world.arm("channel_arm", channel=1.5),
        "channel = None: must be a number": world.arm("channel_arm", channel=None),
        "channel = [1]: must be a number": world.arm("channel_arm", channel=[1]),
        "angle = 0.3: must be -0.2618..0.2618 rad": world.arm("fin_move", fin=1, angle=0.3),
        "Arm lateral motor needs two acts: get it ready, then confirm": world.submit("channel_arm", channel=1),
        "Ping needs one act only": world.arm("ping"),
        "you do not hold command authority (Ada 1 holds it); take it first": world.submit("ping", B),
    }
    for sentence, reply in cases.items():
        assert (reply.ok, reply.sentence, reply.id) == (False, sentence, None)
    huge = world.arm("channel_arm", channel=10**400)
    assert not huge.ok and "must be 1..4" in huge.sentence
    world.advance(4.0)
    assert sent(world) == [] and world.views == {}


def test_nobody_holding_authority_is_said() -> None:
    world = ready_world()
    world.release(A)
    assert world.submit("ping").sentence == "you do not hold command authority (nobody holds it); take it first"


def test_before_the_vehicle_is_heard_nothing_can_be_addressed() -> None:
    world = World()
    assert world.submit("ping").sentence == BLANK
    assert world.arm("channel_arm", channel=1).sentence == BLANK


def test_with_the_link_lost_commands_wait() -> None:
    world = ready_world()
    world.link_lost()
    assert (
        world.submit("ping").sentence
        == "the downlink is lost; nothing is kept for later, ask again when the vehicle is heard"
    )


def test_ninth_waiting_command_is_refused() -> None:
    world = ready_world()
    world.disk_delay_s = 1.0
    replies = [world.submit("ping") for _ in range(9)]
    assert [r.ok for r in replies] == [True] * 8 + [False]
    assert replies[8].sentence == "too many commands are waiting"


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (lambda w: setattr(w, "tilt", 0.6), "not ready: Tilt under 30 degrees (34.4 deg)"),
        (lambda w: setattr(w, "link_loss", 0.2), "not ready: Downlink loss under 10 % over the last 10 s (20.0 %)"),
        (lambda w: setattr(w.vehicle, "inhibited", True), "not ready: Firing board not inhibited (board inhibited: yes)"),
        (lambda w: w.vehicle.continuity.__setitem__(0, 0), "not ready: Channel has continuity (channel 1 continuity: no)"),
        (
            lambda w: setattr(w.vehicle, "phase", "boost"),
            "not ready: Vehicle says it is on the pad or in ground test (boost)",
        ),
    ],
)
def test_each_interlock_stops_arming_with_its_reason(spoil, sentence: str) -> None:
    """I15."""
    world = ready_world()
    spoil(world)
    world.advance(0.5)
    reply = world.arm("channel_arm", channel=1)
    assert (reply.ok, reply.sentence) == (False, sentence)
    assert [c.met for c in reply.checks].count(False) == 1


@pytest.mark.parametrize("role", ["vehicle_phase", "board.inhibited", "channel[1].continuity", "ground.link_age"])
def test_interlock_on_a_role_that_is_not_reported_is_not_met(role: str) -> None:
    world = ready_world()
    real = world.reading
    world.reading = lambda name, now_s: None if name == role else real(name, now_s)  # type: ignore[method-assign]
    reply = world.arm("channel_arm", channel=1)
    assert not reply.ok and reply.sentence.endswith("(not reported)")


def test_stale_telemetry_does_not_let_arm() -> None:
    world = ready_world()
    world.vehicle.silent_about = {"motors"}
    world.advance(1.9)
    assert world.arm("channel_arm", channel=1).ok
    world.queue.disarm("test", world.now_s)
    world.advance(0.4)
    assert world.arm("channel_arm", channel=1).sentence.startswith(
        "not ready: Firing board not inhibited (board inhibited: no, 2."
    )


# ---------------------------------------------------------------- the second act


def test_confirm_too_soon_in_time_at_the_limit_and_too_late() -> None:
    """I1."""
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.advance(0.2)
    soon = world.confirm(armed.id, "channel_arm", channel=1)
    assert soon.sentence == "too soon: look first, then confirm"
    world.advance(9.8)
    assert world.confirm(armed.id, "channel_arm", channel=1).ok, "10.0 s is still in time"
    world.advance(3.0)
    late = world.arm("channel_arm", channel=1)
    world.advance(10.1)
    reply = world.confirm(late.id, "channel_arm", channel=1)
    assert reply.sentence == "nothing is ready under that number; get it ready again"
    assert view(world, late.id)["state_text"] == "not confirmed in time"
    assert oracle_of(world).hazardous == 1


def test_late_confirm_without_a_tick_between_is_refused() -> None:
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.now_s += 10.2  # the loop was busy: nobody ticked, and telemetry that waited comes in fresh
    world.latest = {role: Reading(known.value, world.now_s) for role, known in world.latest.items()}
    world.watch.on_packet(world.now_s)
    late = world.confirm(armed.id, "channel_arm", channel=1)
    assert late.sentence == "nothing is ready under that number; get it ready again"
    assert sent(world) == []


@pytest.mark.parametrize(
    ("command", "args"),
    [
        ("channel_arm", {"channel": 2}),
        ("channel_arm", {"channel": True}),
        ("channel_arm", {"channel": "1"}),
        ("channel_arm", {"channel": float("nan")}),
        ("channel_arm", {"channel": [1]}),
        ("channel_arm", {}),
        ("channel_arm", {"channel": 1, "more": 1}),
        ("channel_fire", {"channel": 1}),
        ("", {}),
    ],
)
def test_confirm_of_anything_else_than_what_was_armed_is_refused(command: str, args: dict[str, object]) -> None:
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.advance(0.5)
    assert world.confirm(armed.id, command, **args).sentence == "this is not the command that was made ready"
    world.advance(1.0)
    assert sent(world) == []


def test_confirm_with_the_same_number_written_as_a_float_is_the_same() -> None:
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.advance(0.5)
    assert world.confirm(armed.id, "channel_arm", channel=1.0).ok


def test_one_arm_gives_one_command() -> None:
    """I2."""
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.advance(0.5)
    assert world.confirm(armed.id, "channel_arm", channel=1).ok
    for wait_s in (0.1, 1.0, 12.0):
        assert not world.confirm(armed.id, "channel_arm", channel=1).ok
        world.advance(wait_s)
    assert len(world.vehicle.executed) == 1


def test_another_operator_cannot_confirm_a_guessed_number() -> None:
    """I14."""
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.advance(0.5)
    guessed = world.confirm(armed.id, "channel_arm", B, channel=1)
    assert guessed.sentence == "only the person who got it ready can confirm it"
    world.take(B)
    for operator in (A, B):
        assert not world.confirm(armed.id, "channel_arm", operator, channel=1).ok
    assert sent(world) == []


def test_confirm_after_authority_went_and_came_back_is_refused() -> None:
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.advance(0.5)
    world.take(B)
    world.take(A)
    assert not world.confirm(armed.id, "channel_arm", channel=1).ok
    assert view(world, armed.id)["state_text"] == "dropped before sending: command authority changed"


def test_only_one_is_armed_and_a_busy_air_refuses() -> None:
    """I13."""
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    other = world.arm("fin_move", fin=1, angle=0.0)
    assert other.sentence == "Arm lateral motor is ready; confirm or cancel it first"
    world.disk_delay_s = 0.5
    world.submit("ping")
    world.advance(0.4)
    assert world.confirm(armed.id, "channel_arm", channel=1).sentence == "Ping is under way; wait for its answer"


def test_unfinished_hazardous_command_keeps_the_next_one_out() -> None:
    """I13."""
    world = ready_world()
    armed = world.arm_and_confirm("board_release")
    counter = world.disk.intents[-1]["counter"]
    world.down.cut = True
    world.queue.on_answer(7, counter, "accepted", "none", world.now_s)
    world.down.cut = False
    reply = world.arm("channel_arm", channel=1)
    assert reply.sentence == "Release firing board is not finished; only one hazardous command at a time"
    assert armed.ok


def test_interlock_lost_between_the_acts_and_before_the_frame() -> None:
    """I15."""
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.advance(0.5)
    world.tilt = 0.7
    assert world.confirm(armed.id, "channel_arm", channel=1).sentence == "not sent: Tilt under 30 degrees (40.1 deg)"
    world.tilt, world.disk_delay_s = 0.0, 0.4
    assert world.confirm(armed.id, "channel_arm", channel=1).ok
    world.tilt = 0.8
    world.advance(0.6)
    assert view(world, armed.id)["state_text"] == "refused: Tilt under 30 degrees (45.8 deg) at the moment of sending"
    assert sent(world) == []


def test_interlock_lost_before_a_repeat_stops_the_repeats_and_says_so() -> None:
    """I15."""
    world = ready_world()
    world.up.cut = True
    reply = world.arm_and_confirm("channel_arm", channel=1)
    world.tilt = 0.8
    world.advance(2.0)
    assert len(sent(world)) == 1
    assert view(world, reply.id)["state_text"] == "sent, no answer yet: not sent again: Tilt under 30 degrees (45.8 deg)"
    world.advance(2.0)
    assert view(world, reply.id)["state"] == "unknown"


# ---------------------------------------------------------------- taking back


def test_cancel_in_time_too_late_and_of_nothing() -> None:
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    assert world.cancel(armed.id, B).sentence == "cancelled before sending"
    assert view(world, armed.id)["state_text"] == "cancelled before sending: by Ben 1"
    world.up.cut = True
    ping = world.submit("ping")
    world.advance(0.1)
    assert world.cancel(ping.id).sentence == "too late to cancel: Ping is sent, no answer yet"
    assert world.cancel("c99").sentence == "there is no such command"
    world.advance(4.0)
    assert world.cancel(ping.id).sentence == "too late to cancel: Ping is outcome unknown: treat as done and as armed"


def test_cancel_while_the_disk_works_sends_nothing() -> None:
    world = ready_world()
    world.disk_delay_s = 0.5
    ping = world.submit("ping")
    assert world.cancel(ping.id).ok
    world.advance(1.0)
    assert sent(world) == [] and view(world, ping.id)["state"] == "cancelled"


def test_safe_all_is_not_taken_back() -> None:
    world = ready_world()
    world.disk_delay_s = 0.3
    safe = world.safe_all()
    assert world.cancel(safe.id, B).sentence == "Safe all is not taken back"
    world.advance(1.0)
    assert commands_sent(world) == ["safe_all"]


def routine(command: str, old: str = "", new: str = "") -> Dictionary:
    """Return the Sandpiper's dictionary with the hazard of one command understated; the hash does not cover it."""
    head, body = dictionary().text.split(f"[command.{command}]\n")
    body = body.replace('hazard = "hazardous"', 'hazard = "routine"', 1).replace(old, new, 1)
    return parse_dictionary(f"{head}[command.{command}]\n{body}")


@pytest.mark.parametrize(
    ("command", "old", "new"),
    [
        ("channel_fire", "", ""),
        ("channel_arm", "", ""),
        ("channel_arm", '.armed", equals = 1', '.armed", equals = "{channel}"'),
        ("recovery_fire", "", ""),
    ],
)
def test_one_act_fires_and_arms_nothing_whatever_hazard_the_dictionary_states(command: str, old: str, new: str) -> None:
    """I1: seen, one click fired an armed motor: the vehicle knows no hazards, and its hash is that of the right file."""
    words = routine(command, old, new)
    assert words.hash32 == dictionary().hash32
    world = ready_world(words=words)
    world.vehicle.armed_until[0] = 1e6
    world.advance(0.5)
    reply = world.submit(command, channel=1)
    world.advance(1.0)
    assert not reply.ok and sent(world) == [] and world.vehicle.executed == []
    assert reply.sentence.endswith(
        'arms or fires a channel, and the dictionary calls it routine; say hazard = "hazardous" there'
    )
    assert not world.arm_plan([(command, {"channel": 1})]).ok
    assert world.submit("channel_safe", channel=1).ok and world.safe_all().ok


# ---------------------------------------------------------------- sending again, and not knowing


def test_repeats_are_the_same_bytes_three_at_most_and_then_unknown() -> None:
    """I7."""
    world = ready_world()
    world.up.cut = True
    reply = world.arm_and_confirm("channel_arm", channel=1)
    world.advance(20.0)
    assert [round(s.at_s - sent(world)[0].at_s, 1) for s in sent(world)] == [0.0, 0.8, 1.6]
    assert len({s.frame for s in sent(world)}) == 1
    assert view(world, reply.id)["state_text"] == "outcome unknown: treat as done and as armed"
    assert view(world, reply.id)["missing"] == "accepted"
    assert len(world.disk.intents) == 1, "no other counter was taken for it"


def test_late_answer_resolves_unknown_but_never_makes_it_leave_again() -> None:
    world = ready_world()
    world.down.cut = True
    reply = world.arm_and_confirm("channel_arm", channel=1)
    counter = world.disk.intents[-1]["counter"]
    world.queue.disarm("test", world.now_s)
    world.queue.on_answer(7, counter, "accepted", "none", world.now_s)
    world.down.cut = False
    world.carry_out()
    assert view(world, reply.id)["state"] == "accepted"
    world.down.cut = True
    world.advance(1.5)
    assert len(sent(world)) == 1, "disarmed once: never sent again"
    world.queue.on_answer(7, counter, "completed", "none", world.now_s)
    world.down.cut = False
    world.advance(1.0)
    assert view(world, reply.id)["state"] == "verified"


@pytest.mark.parametrize("reason", ["other boot", "old counter"])
def test_refusal_of_a_copy_is_no_outcome(reason: str) -> None:
    """I11: Fired, browned out, asked again: the answer "other boot" must not be shown as "refused, nothing happened"."""
    world = ready_world()
    world.vehicle.armed_until[0] = world.now_s + 60
    world.advance(0.3)
    world.down.cut = True
    reply = world.arm_and_confirm("channel_fire", channel=1)
    counter = world.disk.intents[-1]["counter"]
    world.advance(0.1)
    assert [e.command for e in world.vehicle.executed] == ["channel_fire"]
    world.queue.on_answer(7, counter, "refused", reason, world.now_s)
    world.carry_out()
    assert view(world, reply.id)["state_text"] == (
        f"outcome unknown: treat as done and as armed: the vehicle answers '{reason}'; "
        "an earlier copy may have been executed"
    )


def test_refusal_with_a_reason_is_an_outcome() -> None:
    world = ready_world()
    world.vehicle.armed_until[0] = world.now_s + 0.9
    world.advance(0.3)
    world.up.badness = 0.0
    world.disk_delay_s = 0.3
    reply = world.arm_and_confirm("channel_fire", channel=1)
    world.advance(1.0)
    assert view(world, reply.id)["state"] == "refused"


def test_write_that_failed_may_have_left_and_says_so() -> None:
    """I11."""
    world = ready_world()
    world.port_problem, world.port_loses_bytes = "writing to the port failed (gone); it may have left all the same", False
    world.down.cut = True
    reply = world.submit("ping")
    world.advance(0.1)
    assert view(world, reply.id)["state_text"] == (
        "not confirmed by the port: writing to the port failed (gone); it may have left all the same"
    )
    assert not world.cancel(reply.id).ok
    world.advance(1.5)
    world.down.cut, world.port_problem = False, None
    world.advance(2.5)
    assert view(world, reply.id)["state"] in ("verified", "unknown")


def test_what_was_said_of_an_earlier_state_is_not_said_of_the_next() -> None:
    world = ready_world()
    world.vehicle.silent_about = {"cameras"}
    reply = world.submit("camera_power", camera=1, on=1)
    world.advance(6.0)
    assert view(world, reply.id)["state_text"] == (
        "done says the vehicle, telemetry does not show it yet: the effect is not seen in telemetry"
    )
    assert view(world, reply.id)["missing"] == "verified"
    world.vehicle.silent_about = set()
    world.advance(0.5)
    assert view(world, reply.id)["state_text"] == "verified by telemetry"


def test_telemetry_from_before_the_completion_proves_nothing() -> None:
    """I10."""
    world = ready_world()
    world.vehicle.camera = [1, 0, 0]
    world.advance(0.5)
    world.vehicle.silent_about = {"cameras"}
    reply = world.submit("camera_power", camera=1, on=1)
    world.advance(1.0)
    assert view(world, reply.id)["state"] == "completed", "camera 1 was on before: an old packet is no proof"


def test_telemetry_of_another_start_proves_nothing() -> None:
    world = ready_world()
    world.vehicle.silent_about = {"motors"}
    reply = world.submit("channel_safe", channel=1)
    world.advance(0.5)
    world.reboot()
    world.vehicle.silent_about = set()
    world.advance(1.0)
    assert view(world, reply.id)["state"] == "completed"


def test_command_without_effects_is_never_called_verified() -> None:
    text = load_dictionary().text.replace('effects = [ { role = "uplink.last_counter", at_least = "{counter}" } ]', "")
    world = ready_world(words=parse_dictionary(text))
    reply = world.submit("ping")
    world.advance(8.0)
    assert view(world, reply.id)["state_text"] == "done says the vehicle, telemetry cannot show it"
    assert view(world, reply.id)["missing"] is None


# ---------------------------------------------------------------- answers that are not ours


@pytest.mark.parametrize(
    ("boot_id", "more", "stage"),
    [(8, 0, "completed"), (7, 1, "completed"), (7, -1, "accepted"), (7, 0, "finished"), (7, 0, "")],
)
def test_answer_of_another_start_counter_or_meaning_changes_nothing(boot_id: int, more: int, stage: str) -> None:
    """I10."""
    world = ready_world()
    world.up.cut = True
    reply = world.submit("ping")
    counter = world.disk.intents[-1]["counter"]
    assert world.queue.on_answer(boot_id, counter + more, stage, "none", world.now_s) is False
    assert view(world, reply.id)["state"] == "sent"


@pytest.mark.parametrize("stage", ["accepted", "completed", "refused", "failed"])
def test_answer_to_another_command_under_our_number_is_no_outcome(stage: str) -> None:
    """I10: a vehicle says again what it said to whoever took the number first."""
    world = ready_world()
    world.up.cut = True
    reply = world.submit("ping")
    counter, code = world.disk.intents[-1]["counter"], world.dictionary.commands["ping"].code
    assert world.queue.on_answer(7, counter, stage, "none", world.now_s, code + 1)
    world.advance(0.1)
    assert view(world, reply.id)["state"] == "unknown"
    assert "another command under this number" in view(world, reply.id)["state_text"]
    assert world.queue.on_answer(7, counter, "completed", "none", world.now_s, code), "the vehicle's word on ours counts"

    safing = world.queue.safe_all("Ada", world.now_s)
    world.advance(0.1)
    counter, code = world.disk.intents[-1]["counter"], world.dictionary.commands["safe_all"].code
    assert not world.queue.on_answer(7, counter, stage, "none", world.now_s, code + 1)
    assert view(world, safing.id)["state"] == "sent", "it goes on until it is answered itself"


def test_second_answer_to_what_has_ended_changes_nothing() -> None:
    world = ready_world()
    reply = world.submit("ping")
    world.advance(1.0)
    counter = world.disk.intents[-1]["counter"]
    for stage in ("accepted", "refused", "completed", "failed"):
        assert world.queue.on_answer(7, counter, stage, "not armed", world.now_s) is False
    assert view(world, reply.id)["state"] == "verified"


# ---------------------------------------------------------------- disk


def test_no_counter_or_no_record_means_no_frame() -> None:
    """I17."""
    world = ready_world()
    for failures in (1, -1):
        world.disk.failures = failures
        reply = world.arm_and_confirm("channel_arm", channel=1)
        world.advance(0.2)
        assert view(world, reply.id)["state_text"] == "refused: the disk failed"
    assert sent(world) == []


def test_command_that_the_disk_held_up_for_too_long_is_dropped() -> None:
    """I17."""
    world = ready_world()
    world.disk_delay_s = 3.5
    reply = world.arm_and_confirm("channel_arm", channel=1)
    world.advance(5.0)
    assert view(world, reply.id)["state_text"] == "dropped before sending: it waited too long"
    assert sent(world) == []


def test_late_disk_is_noticed_even_without_a_tick() -> None:
    world = ready_world()
    world.disk_delay_s = 99.0
    reply = world.arm_and_confirm("channel_arm", channel=1)
    frame = world.link.send("channel_arm", {"channel": 1}, 50, world.addressee.valid_until_ms(world.now_s))
    world.now_s += 3.4
    world.latest = {role: Reading(known.value, world.now_s) for role, known in world.latest.items()}
    world.watch.on_packet(world.now_s)
    world.queue.on_prepared(str(reply.id), 50, frame, world.now_s)
    assert not any(isinstance(a, Transmit) for a in world.queue.take_actions())
    assert world.queue.views()[0].state_text == "dropped before sending: it waited too long"


def test_reports_about_what_was_forgotten_do_not_raise() -> None:
    world = ready_world()
    for call in (
        lambda: world.queue.on_prepared("c77", 1, b"x", world.now_s),
        lambda: world.queue.on_prepare_failed("c77", "no", world.now_s),
        lambda: world.queue.on_written("c77", "no", world.now_s),
    ):
        call()
    assert world.queue.take_actions() == []


def test_memory_is_bounded_and_what_the_disk_works_on_is_kept() -> None:
    world = ready_world()
    world.disk_delay_s = 1e9
    held = world.submit("ping")
    world.cancel(held.id)
    for _ in range(KEPT_ENDED + 20):
        world.submit("ping")
        world.advance(0.1)
        for entry in world.queue.views():
            if entry.state == "queued":
                world.cancel(entry.id)
    assert len(world.queue.views()) <= KEPT_ENDED + 2
    assert held.id in [entry.id for entry in world.queue.views()]


# ---------------------------------------------------------------- what disarms


@pytest.mark.parametrize(
    ("happen", "why"),
    [
        (lambda w: w.link_lost(), "link lost"),
        (lambda w: w.take(B), "command authority changed"),
        (lambda w: w.release(A), "command authority changed"),
        (lambda w: w.leave(A), "command authority changed"),
        (lambda w: (w.reboot(), w.advance(0.2)), "the vehicle restarted"),
        (lambda w: w.sleep(), "the computer slept"),
        (lambda w: w.safe_all(B), "safe all"),
    ],
)
@pytest.mark.parametrize("stage", ["armed", "preparing", "sent"])
def test_everything_that_disarms_drops_what_waits_and_repeats_nothing(happen, why: str, stage: str) -> None:
    """I4."""
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.advance(0.4)
    world.up.cut = True
    if stage != "armed":
        world.disk_delay_s = 0.6 if stage == "preparing" else 0.0
        world.confirm(armed.id, "channel_arm", channel=1)
    before = len(sent(world))
    happen(world)
    words = "outcome unknown: treat as done and as armed" if stage == "sent" else "dropped before sending"
    assert view(world, armed.id)["state_text"] == f"{words}: {why}"
    world.link_found()
    world.take(A)
    world.advance(0.5)
    assert not world.confirm(armed.id, "channel_arm", channel=1).ok
    world.advance(2.0)
    after = [s for s in sent(world)[before:] if s.id == armed.id]
    assert after == []


def test_restart_seen_only_by_the_vehicle_clock_disarms() -> None:
    world = ready_world()
    world.advance(5.0)
    armed = world.arm("channel_arm", channel=1)
    assert armed.ok
    world.vehicle.silent_about = {"identity"}
    world.vehicle.start(8)  # its three start-up frames are lost
    world.advance(0.4)
    assert world.queue.boot_id == 7
    assert view(world, armed.id)["state_text"] == "dropped before sending: the vehicle restarted"


def test_two_restarts_within_one_chunk_disarm() -> None:
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    other, same = world.vehicle.start(8), world.vehicle.start(7)
    world.hear(b"".join(other + same))
    assert world.queue.boot_id == 7
    assert view(world, armed.id)["state"] == "abandoned"


def test_frame_not_yet_carried_out_does_not_survive_a_disarm() -> None:
    world = ready_world()
    reply = world.queue.submit("ping", {}, A, world.now_s)
    prepare = next(a for a in world.queue.take_actions() if isinstance(a, Prepare))
    world.queue.on_prepared(prepare.id, 1, b"frame", world.now_s)
    world.queue.disarm("link lost", world.now_s)
    actions = world.queue.take_actions()
    assert not any(isinstance(a, Transmit) for a in actions)
    assert [a.view.state for a in actions if isinstance(a, Changed)][-1] == "unknown"
    assert reply.ok


def test_after_a_restart_nothing_is_armed_and_nothing_is_sent() -> None:
    """I3."""
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.advance(0.5)
    world.start_station()
    assert world.queue.views() == []
    world.advance(3.0)
    late = world.confirm(armed.id, "channel_arm", channel=1)
    assert late.sentence == "nothing is ready under that number; get it ready again"
    assert sent(world) == []


# ---------------------------------------------------------------- safe all


@pytest.mark.parametrize("stage", ["nothing", "armed", "preparing", "sent", "completed", "full queue", "unknown"])
@pytest.mark.parametrize("trouble", ["none", "disk dead", "no authority", "link lost"])
def test_safe_all_is_next_out_whatever_is_going_on(stage: str, trouble: str) -> None:
    """I12."""
    world = ready_world()
    world.up.cut = stage in ("sent", "unknown")
    if stage == "full queue":
        world.disk_delay_s = 0.3
        for _ in range(8):
            world.submit("ping")
    elif stage != "nothing":
        armed = world.arm("channel_arm", channel=1)
        world.advance(0.4)
        world.disk_delay_s = 0.3 if stage == "preparing" else 0.0
        if stage != "armed":
            world.confirm(armed.id, "channel_arm", channel=1)
        world.advance(4.0 if stage == "unknown" else 0.1)
    if trouble == "disk dead":
        world.disk.take()  # the spares come from an earlier success, as at every start of the station
        world.disk.failures = -1
    elif trouble == "link lost":
        world.link_lost()
    before, operator = len(sent(world)), B if trouble == "no authority" else A
    world.up.cut = False
    reply = world.safe_all(operator)
    assert reply.ok and reply.sentence == f"safe all goes out next, and again until the vehicle answers; {NOT_SAFE_YET}"
    world.advance(0.7)
    after = sent(world)[before:]
    assert after and {s.id for s in after} == {reply.id}
    assert world.vehicle.executed[-1].command == "safe_all"
    assert all(v.state not in ("armed", "queued", "sent") for v in world.queue.views() if v.id != reply.id)


def test_safe_all_says_at_each_stage_what_has_happened() -> None:
    """Never "sent" before the port has taken it, and what was said of a closed port not after it has."""
    world = World(words=first_wire())
    waiting = world.safe_all(A)
    assert waiting.sentence == "safe all waits until the vehicle is first heard; use the arming key"
    assert world.safe_all(B).sentence == waiting.sentence
    assert view(world, waiting.id)["state_text"] == "waiting to be sent"

    world = ready_world()
    world.up.cut, world.port_problem = True, "the port is not open"
    id = world.safe_all(A).id
    assert view(world, id)["state_text"] == "not confirmed by the port, tried again: the port is not open"
    again = world.safe_all(A).sentence
    assert again == "safe all has not left: the port is not open; it is tried again, use the arming key"
    world.port_problem = None
    world.advance(1.0)
    assert view(world, id)["state_text"] == "sent, no answer yet"
    assert world.safe_all(A).sentence == f"safe all was sent; it is sent again until the vehicle answers; {NOT_SAFE_YET}"
    world.port_problem = "the port is not open"
    world.advance(0.8)
    assert view(world, id)["state_text"] == "sent, no answer yet: the port is not open"
    world.port_problem = None
    world.advance(0.8)
    assert view(world, id)["state_text"] == "sent, no answer yet"
    world.up.cut = False
    world.advance(2.0)
    texts = [v["state_text"] for _, v, _ in world.changes if v["id"] == id]
    assert [text for n, text in enumerate(texts) if text not in texts[:n]] == [
        "waiting to be sent",
        "handed to the port",
        "not confirmed by the port, tried again: the port is not open",
        "sent, no answer yet",
        "sent, no answer yet: the port is not open",
        "accepted by the vehicle",
        "done says the vehicle, telemetry does not show it yet",
        "verified by telemetry",
    ]


def test_safe_all_without_any_counter_does_not_claim_to_be_on_its_way() -> None:
    world = ready_world()
    world.disk.failures = -1
    id = world.safe_all(A).id
    assert view(world, id)["state_text"].startswith("waiting to be sent: ")
    assert world.safe_all(A).sentence.startswith("safe all has not left: ")
    assert world.safe_all(A).sentence.endswith("; it is tried again, use the arming key")


def test_safe_all_repeats_until_the_vehicle_answers_and_is_then_checked() -> None:
    world = ready_world()
    world.up.cut = True
    reply = world.safe_all(B)
    world.advance(30.0)
    assert len(sent(world)) >= 35
    assert len({s.frame for s in sent(world)}) == 1
    assert world.safe_all(A).sentence == f"safe all was sent; it is sent again until the vehicle answers; {NOT_SAFE_YET}"
    assert world.submit("ping").sentence == f"safe all is under way; wait for its outcome; {NOT_SAFE_YET}"
    world.up.cut = False
    world.advance(2.0)
    assert view(world, reply.id)["state"] == "verified"
    count = len(sent(world))
    world.advance(3.0)
    assert len(sent(world)) == count


def test_safe_all_goes_on_after_sleep_and_link_loss() -> None:
    world = ready_world()
    world.up.cut = True
    world.safe_all()
    world.sleep()
    world.link_lost()
    count = len(sent(world))
    world.advance(3.0)
    assert len(sent(world)) >= count + 3


def test_safe_all_leaves_before_the_vehicle_was_ever_heard() -> None:
    """A dead downlink, or a station that has just begun, knows neither start nor clock: safe all needs neither."""
    world = World()
    world.down.cut = True
    reply = world.safe_all()
    assert reply.sentence == f"safe all goes out next, and again until the vehicle answers; {NOT_SAFE_YET}"
    world.advance(1.0)
    assert world.vehicle.executed[0].command == "safe_all"


def test_on_wire_version_1_safe_all_waits_until_the_vehicle_is_heard() -> None:
    world = World(words=first_wire())
    reply = world.safe_all()
    assert reply.sentence == "safe all waits until the vehicle is first heard; use the arming key"
    world.advance(1.0)
    assert world.vehicle.executed[0].command == "safe_all"


def test_safe_all_follows_the_vehicle_through_a_restart() -> None:
    world = ready_world()
    world.up.cut = True
    first = world.safe_all()
    world.reboot()
    world.advance(0.3)
    assert view(world, first.id)["state_text"] == "outcome unknown: treat as done and as armed: the vehicle restarted"
    world.up.cut = False
    world.advance(1.5)
    assert [(e.boot_id, e.command) for e in world.vehicle.executed] == [(8, "safe_all")]


def accepted_safe_all(world: World) -> str:
    """Press Safe all, and lose the vehicle's "completed": return its number."""
    world.deaf_to.add("answer")
    id = str(world.safe_all().id)
    counter = world.disk.intents[-1]["counter"]
    world.queue.on_answer(world.vehicle.boot_id, int(str(counter)), "accepted", "none", world.now_s, 0)
    world.carry_out()
    assert view(world, id)["state"] == "accepted"
    return id


def test_safe_all_whose_completion_was_lost_is_done_by_the_signed_identity() -> None:
    """Seen: shown "accepted" for five seconds, then unknown, while the vehicle told each second that it had done it."""
    world = ready_world()
    id = accepted_safe_all(world)
    world.advance(2.0)
    assert view(world, id)["state"] == "verified"


def test_safe_all_that_was_accepted_by_a_start_that_ended_is_asked_of_the_next() -> None:
    """I12."""
    world = ready_world()
    world.up.cut = True
    accepted_safe_all(world)
    world.up.cut = False
    world.deaf_to.clear()
    world.reboot()
    world.advance(1.5)
    assert [(e.boot_id, e.command) for e in world.vehicle.executed][-1:] == [(8, "safe_all")]


def test_safe_all_is_obeyed_by_a_start_the_station_has_not_heard_of() -> None:
    world = ready_world()
    world.vehicle.silent_about = {"identity"}
    world.vehicle.start(8)
    first = world.safe_all()
    world.advance(0.4)
    assert [(e.boot_id, e.command) for e in world.vehicle.executed] == [(8, "safe_all")]
    assert view(world, first.id)["state"] == "sent", "an answer of a start never heard of may be a stranger's"
    world.vehicle.silent_about = set()
    world.advance(2.5)
    assert view(world, first.id)["state"] in ("completed", "verified", "unknown")
    assert any(v.command == "safe_all" and v.state in ("completed", "verified") for v in world.queue.views())


def test_safe_all_is_not_done_by_an_earlier_one_of_the_same_number() -> None:
    """I10: counters lost, or two computers with copies of one. The vehicle tells the number of a Safe all it carried out
    before it was armed; seen, that showed the new one as done, whose frames were all lost, and it was not repeated."""
    world = ready_world()
    world.safe_all()
    world.advance(1.0)
    world.vehicle.phase, world.vehicle.inhibited = "ground test", False
    world.advance(0.5)
    world.arm_and_confirm("channel_arm", channel=1)
    world.advance(1.0)
    assert [e.command for e in world.vehicle.executed] == ["safe_all", "channel_arm"]
    world.disk = Disk()
    world.up.cut = world.down.cut = True
    world.start_station()
    again = world.safe_all()
    world.advance(1.0)
    frames = sent(world)
    assert frames[-1].frame == frames[0].frame
    world.down.cut = False
    world.advance(10.0)
    assert view(world, again.id)["state"] == "unknown" and "asked anew" in view(world, again.id)["state_text"]
    assert [v.state for v in world.queue.views() if v.command == "safe_all"] == ["unknown", "sent"]
    assert len(sent(world)) > len(frames) + 10, "it is repeated"
    world.up.cut = False
    world.advance(2.0)
    assert [e.command for e in world.vehicle.executed] == ["safe_all", "channel_arm", "safe_all"]
    assert [v.state for v in world.queue.views() if v.command == "safe_all"] == ["unknown", "verified"]


def test_telemetry_of_another_dictionary_verifies_nothing() -> None:
    """I10: what it shows may mean something else on board; that Safe all was carried out needs no dictionary to be told."""
    world = ready_world()
    world.reflash()
    world.advance(2.0)
    reply = world.safe_all()
    world.advance(8.0)
    assert world.vehicle.executed[-1].command == "safe_all"
    text = str(view(world, reply.id)["state_text"])
    assert text.startswith(
        "done says the vehicle, telemetry does not show it yet: the vehicle was built from another dictionary"
    )


def test_safe_all_believes_no_answer_of_a_start_never_heard_of() -> None:
    """I10: another vehicle with the same counter, or a forger without a key: neither can show it as done or as refused."""
    for stage, reason in (("completed", "none"), ("refused", "interlock"), ("accepted", "none")):
        world = ready_world()
        world.up.cut = True
        first = world.safe_all()
        world.advance(0.2)
        counter = world.queue._table.get(str(first.id)).counter
        assert not world.queue.on_answer(0xBAD0BAD, counter, stage, reason, world.now_s)
        assert view(world, first.id)["state"] == "sent"


def test_safe_all_believes_the_start_that_was_signed_for_while_a_stranger_is_the_louder() -> None:
    """Whoever announces another start without our key must not keep the vehicle's own answer from being believed."""
    world = ready_world()
    world.down.cut = True
    world.queue.on_boot_id(0xBAD0BAD, world.now_s)
    first = world.safe_all()
    world.advance(0.2)
    counter = world.queue._table.get(str(first.id)).counter
    assert world.queue.on_answer(7, counter, "completed", "none", world.now_s)
    world.advance(0.1)
    assert view(world, first.id)["state"] in ("completed", "verified")


def test_a_safe_all_whose_answer_nobody_can_read_is_told_by_the_identity_packet() -> None:
    """The vehicle was built from another dictionary: its answers mean nothing here, who it is is said all the same."""
    world = ready_world()
    world.vehicle.silent_about = {"motors", "recovery", "control"}
    world.deaf_to = {"answer"}
    reply = world.safe_all()
    world.advance(1.0)
    assert view(world, reply.id)["state"] == "completed"


def test_on_wire_version_1_safe_all_refused_for_another_start_is_asked_anew() -> None:
    """The answer "other boot" may be heard before the new boot id is: safe all must not end with it."""
    world = World(words=first_wire())
    world.advance(0.5)
    world.vehicle.silent_about = {"link", "motors", "control", "cameras"}
    world.vehicle.start(8)
    first = world.safe_all()
    world.advance(0.4)
    assert view(world, first.id)["state"] == "unknown"
    assert any(v.command == "safe_all" and v.state == "queued" for v in world.queue.views())
    world.vehicle.silent_about = set()
    world.advance(2.0)
    assert (8, "safe_all") in [(e.boot_id, e.command) for e in world.vehicle.executed]
    assert len(world.disk.intents) <= 5, "asked anew at the pace of a repeat, not in a storm"


def test_interlocks_on_safe_all_are_ignored() -> None:
    text = load_dictionary().text.replace("safes_all = true", 'safes_all = true\ninterlocks = ["near_vertical"]')
    world = ready_world(words=parse_dictionary(text))
    world.tilt = 1.0
    world.safe_all()
    world.advance(0.5)
    assert world.vehicle.executed[-1].command == "safe_all"


def test_safe_all_sent_as_a_command_is_the_same_act_whatever_comes_with_it() -> None:
    world = ready_world()
    reply = world.submit("safe_all", B, nonsense=[1])
    assert reply.ok
    world.advance(0.5)
    assert world.vehicle.executed[-1].command == "safe_all"


def test_vehicle_without_a_safing_command_is_said() -> None:
    commands = {n: c for n, c in dictionary().commands.items() if not c.safes_all}
    world = ready_world(words=dataclasses.replace(dictionary(), commands=commands))
    armed = world.arm("board_release")
    reply = world.safe_all()
    assert reply.sentence == "this vehicle's dictionary has no command that safes all; use the arming key"
    assert view(world, armed.id)["state"] == "abandoned"


# ---------------------------------------------------------------- a dictionary that makes no sense


def test_effect_that_cannot_be_compared_does_not_break_the_flow_of_telemetry() -> None:
    text = load_dictionary().text.replace('equals = ["pad", "ground test"]', 'equals = ["padd", "ground"]')
    world = ready_world(words=parse_dictionary(text))
    reply = world.arm_and_confirm("ground_test", on=1)
    world.advance(1.0)
    assert view(world, reply.id)["state"] == "completed"


def test_queue_needs_nothing_but_readings() -> None:
    class Nothing:
        def reading(self, role: str, now_s: float) -> Reading | None:
            return None

    queue = CommandQueue(load_dictionary(), Nothing(), Addressee(load_dictionary(), KEY), first_id=5)
    queue.tick(1.0)
    queue.on_telemetry(1.0)
    queue.on_link(False, 1.0)
    assert queue.views() == [] and queue.take_actions() == []
    assert queue.safe_all("x", 1.0).id == "c5"
