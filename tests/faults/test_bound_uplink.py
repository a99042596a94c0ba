"""A command works on one vehicle, one start, one dictionary, for seconds, or not at all: real processes, and a bad path.

Each test is a way in which a command once did what nobody meant, or Safe all nothing. The vehicles are the simulated one
with the wire's half in Python ("python") or in compiled C ("compiled"), and the example, which is C altogether.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.bound import BoundFrame, SafeAllFrame
from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.identity import IDENTITY_APID
from protocol.vehicle import VehicleLink
from tests.browser.station import eventually
from tests.faults.bound_field import OTHER_ID, WITHIN_S, Field, field, swapped_text

pytestmark = pytest.mark.terminal
# The long form, LONG_FORM=1 before the command, tries each way with each half of the wire; it takes ten minutes.
LONG = bool(os.environ.get("LONG_FORM"))
HALVES = ("python", "compiled") if LONG else ("compiled",)
NOISE = [(half, trouble) for half in ("python", "compiled", "example") for trouble in ("junk", "lost end")]
# Longer than the station's five seconds and the ten that a vehicle takes at most, in real time: the station's clock
# cannot be hurried, and hurrying only the vehicle's would make every command late.
HELD_S = 12.0
QUIET_S = 1.5
ANSWERED_WITHIN_S = 3.0
STRANGERS_KEY = bytes(32)


@pytest.fixture
def pad() -> Iterator[Field]:
    with field() as made:
        yield made


def is_safe(pad: Field) -> bool:
    """What the page shows after a Safe all."""
    return pad.shown("motors", "board_inhibited") == 1 and pad.shown("motors", "channel_1_armed") == 0


def does(pad: Field, command: str, by: Dictionary, args: dict[str, object]) -> bool:
    """Have a vehicle obey what is signed by its own dictionary; it refuses what comes before its pad phase."""
    count = len(pad.answers())
    pad.path.send_up(pad.signed(command, by=by, **args))
    until_s = time.monotonic() + ANSWERED_WITHIN_S  # the radio may have lost it
    while time.monotonic() < until_s and pad.answers()[count:][-1:] in ([], [("accepted", "none")]):
        time.sleep(0.05)
    return pad.answers()[count:][-1:] == [("completed", "none")]


# ---------------------------------------------------------------- another dictionary


@pytest.mark.parametrize("half", HALVES)
@pytest.mark.parametrize("first", ["vehicle", "station"])
def test_a_word_of_another_dictionary_reaches_nothing(pad: Field, half: str, first: str) -> None:
    """`channel_safe` and `channel_fire` mean each other there: "Safe lateral motor 1" once fired the motor."""
    theirs = parse_dictionary(swapped_text(), "vehicle.toml")
    assert theirs.commands["channel_fire"].code == pad.dictionary.commands["channel_safe"].code
    if first == "vehicle":
        pad.fly_twin(half, text=swapped_text())
        eventually(lambda: 0 in pad.path.said and pad.path.said[0].now_ms > 5000, WITHIN_S)  # its start was not heard
        pad.watch()
    else:
        pad.watch()
        assert not pad.ask("ping")["ok"]
        pad.fly_twin(half, text=swapped_text())
        eventually(lambda: 0 in pad.path.said, WITHIN_S)
    nothing_heard = pad.ask("channel_safe", channel=1)
    assert not nothing_heard["ok"] and "has not been heard yet" in nothing_heard["sentence"], nothing_heard
    assert not pad.ada.ask("arm", command="channel_fire", args={"channel": 1})["ok"]

    # Somebody with the right dictionary has a channel armed on the bench.
    for command, args in (("ground_test", {"on": 1}), ("board_release", {}), ("channel_arm", {"channel": 1})):
        eventually(lambda: does(pad, command, theirs, args), WITHIN_S)  # noqa: B023 - waited for at once
    pad.path.muted = False
    eventually(lambda: pad.shown("motors", "channel_1_armed") == 1, WITHIN_S)
    eventually(lambda: "another dictionary" in pad.ask("channel_safe", channel=1)["sentence"], WITHIN_S)
    for _ in range(3):
        refused = pad.ask("channel_safe", channel=1)
        assert not refused["ok"] and "was built from another dictionary" in refused["sentence"], refused
    for command in ("channel_fire", "channel_arm", "recovery_fire"):
        refused = pad.ada.ask("arm", command=command, args={"channel": 1})
        assert not refused["ok"] and "another dictionary" in refused["sentence"], refused
    assert pad.commands() == [], "nothing but Safe all leaves"

    # Even signed for this vehicle, this start and this second it is no word of that vehicle's dictionary.
    pad.path.send_up(pad.signed("channel_safe", channel=1))
    eventually(lambda: pad.answers()[-1] == ("refused", "other dictionary"), WITHIN_S)
    time.sleep(QUIET_S)
    assert pad.shown("motors", "channel_1_fired") == 0 and pad.shown("motors", "channel_1_armed") == 1

    pad.path.left_out = [pad.dictionary.packets["answer"].apid]  # who knows what its answers look like
    reply = pad.ada.ask("safe_all")
    eventually(lambda: "completed" in pad.states(reply["id"]), WITHIN_S)
    assert pad.path.said[0].safed_counter == pad.commands()[-1].counter
    eventually(lambda: is_safe(pad), WITHIN_S)
    assert "verified" not in pad.states(reply["id"]), "what telemetry shows may mean something else on board"
    assert {type(one) for one in pad.commands()} == {SafeAllFrame}


def test_while_nothing_is_heard_safe_all_alone_leaves(pad: Field) -> None:
    """A downlink that is dead from the start: neither start id nor clock nor dictionary is known."""
    pad.fly_twin("compiled")
    pad.watch()
    assert not pad.ask("camera_power", camera=1, on=1)["ok"]
    reply = pad.ada.ask("safe_all")
    assert reply["ok"], reply
    eventually(lambda: pad.path.said[0].safed_counter > 0, WITHIN_S)
    assert {type(one) for one in pad.commands()} == {SafeAllFrame}
    pad.path.muted = False
    pad.comes_to(reply["id"], "verified")


# ---------------------------------------------------------------- junk and lost zeros


@pytest.mark.parametrize(("half", "trouble"), NOISE if LONG else [("python", "junk"), ("compiled", "lost end")])
def test_noise_before_and_after_a_burst_costs_no_command(pad: Field, half: str, trouble: str, tmp_path: Path) -> None:
    if half == "example":
        pad.fly_c(tmp_path / "starts")
    else:
        pad.fly_twin(half)
    pad.watch()
    pad.hear()
    pad.path.junk = b"\x7e" if trouble == "junk" else b""
    pad.path.loses_ends = trouble == "lost end"
    pad.done("camera_power", camera=1, on=1)
    pad.done("camera_power", camera=1, on=0)
    pad.done("board_release")
    pad.safe_all()
    assert is_safe(pad)


# ---------------------------------------------------------------- held back


@pytest.mark.parametrize("half", HALVES)
def test_a_command_that_was_held_back_is_refused_in_words(pad: Field, half: str) -> None:
    pad.fly_twin(half)
    pad.watch()
    pad.hear()
    pad.done("ground_test", on=1)
    pad.done("board_release")
    id = pad.act("channel_arm", holds=True, channel=1)
    pad.comes_to(id, "unknown")
    time.sleep(HELD_S)
    held, pad.path.held = pad.path.held, None
    for burst in held:
        pad.path.send_up(burst)
        time.sleep(0.1)
    words = pad.comes_to(id, "refused")
    assert "too late" in words, words
    assert ("refused", "too late") in pad.answers() and ("accepted", "none") not in pad.answers()[-len(held) :]
    time.sleep(QUIET_S)
    assert pad.shown("motors", "channel_1_armed") == 0
    pad.done("channel_arm", channel=1)  # asked anew it is obeyed
    pad.safe_all()


# ---------------------------------------------------------------- another start


def test_nothing_is_signed_for_a_start_that_a_stranger_announces(pad: Field) -> None:
    pad.fly_twin("python")
    pad.watch()
    pad.hear()
    said, before = pad.path.said[0], len(pad.commands())
    pad.path.left_out = [IDENTITY_APID]  # he is the louder one
    forged = VehicleLink(pad.dictionary, STRANGERS_KEY, said.boot_id + 1)
    signed_by_none = 0

    def announce() -> None:
        nonlocal signed_by_none
        signed_by_none += 1
        pad.path.send_down(forged.identity_frame(pad.path.said[0].now_ms))

    def is_refused() -> bool:
        announce()
        return not pad.ask("camera_power", camera=1, on=1)["ok"]

    eventually(is_refused, WITHIN_S)
    until_s = time.monotonic() + 7.0  # longer than a signed identity is believed
    left = len(pad.commands())
    words = set()
    while time.monotonic() < until_s:
        announce()
        words.add(pad.ask("camera_power", camera=1, on=1)["sentence"])
        armed = pad.ada.ask("arm", command="board_release", args={})
        assert not armed["ok"], armed
        time.sleep(0.2)
    assert len(pad.commands()) == left and "" not in words
    assert any("another start" in text for text in words) and any("last said who it is" in text for text in words), words
    ours = {one.boot_id for one in pad.commands()[before:] if isinstance(one, BoundFrame)}
    assert ours <= {said.boot_id}
    pad.safe_all()


@pytest.mark.parametrize("half", HALVES)
def test_a_kept_command_does_nothing_after_the_next_power_cycle(pad: Field, half: str) -> None:
    pad.fly_twin(half)
    pad.watch()
    pad.hear()
    first = pad.path.said[0].boot_id
    id = pad.act("board_release", holds=True)
    pad.comes_to(id, "unknown")
    kept, pad.path.held = pad.path.held, None
    good_until_ms = max(one.valid_until_ms for one in pad.commands() if isinstance(one, BoundFrame))
    pad.switch_off()
    pad.fly_twin(half)
    eventually(lambda: 0 in pad.path.said, WITHIN_S)
    assert pad.path.said[0].boot_id != first
    eventually(lambda: pad.path.said[0].now_ms > good_until_ms - 4000, WITHIN_S)
    while pad.path.said[0].now_ms < good_until_ms:  # by its clock alone the frame would be in time
        for burst in kept:
            pad.path.send_up(burst)
        time.sleep(0.5)
    assert pad.answers().count(("refused", "other boot")) >= 3
    assert pad.events("firing board released") == 0
    eventually(lambda: pad.shown("motors", "board_inhibited") == 1, WITHIN_S)


def test_a_recorded_fire_is_no_order_after_a_power_cycle(pad: Field, tmp_path: Path) -> None:
    """All in C. Its count of starts makes each start id another one."""
    starts, seen = tmp_path / "starts", []
    pad.fly_c(starts)
    pad.watch()
    pad.hear()
    pad.armed_in_ground_test()
    before = len(pad.path.up_frames)
    pad.done("channel_fire", channel=1)
    fire = pad.dictionary.commands["channel_fire"].code
    sent = zip(pad.path.up_frames[before:], pad.commands()[before:], strict=False)
    recorded = next(encoded for encoded, one in sent if isinstance(one, BoundFrame) and one.code == fire)
    for _ in range(2):
        seen.append(pad.path.said[0].boot_id)
        pad.switch_off()
        pad.fly_c(starts)
        eventually(lambda: 0 in pad.path.said, WITHIN_S)
        pad.hear()
        pad.armed_in_ground_test()
        pad.path.send_up(b"\0" + recorded + b"\0")
        eventually(lambda: ("refused", "other boot") in pad.answers(), WITHIN_S)
        time.sleep(QUIET_S)
        assert pad.shown("motors", "channel_1_fired") == 0 and pad.shown("motors", "channel_1_armed") == 1
    assert len({*seen, pad.path.said[0].boot_id}) == 3


def test_a_board_that_cannot_count_its_starts_obeys_nothing_but_safe_all(pad: Field, tmp_path: Path) -> None:
    pad.fly_c(tmp_path / "no such folder" / "starts")
    pad.watch()
    pad.path.muted = False
    eventually(lambda: "has no start id" in pad.ask("ping")["sentence"], WITHIN_S)
    assert pad.path.said[0].boot_id == 0
    for command in ("ping", "channel_arm"):  # a frame for "start 0" cannot be signed; one for any start is for another
        args = {"channel": 1} if command == "channel_arm" else {}
        pad.path.said[0] = pad.path.said[0]._replace(boot_id=1)
        pad.path.send_up(pad.signed(command, **args))
    eventually(lambda: len(pad.answers()) >= 2, WITHIN_S)
    assert set(pad.answers()) == {("refused", "other boot")}
    pad.safe_all()
    assert {type(one) for one in pad.commands()} == {SafeAllFrame}


# ---------------------------------------------------------------- another vehicle, another radio


def test_of_two_vehicles_with_one_key_only_the_addressed_one_obeys(pad: Field, tmp_path: Path) -> None:
    """Both in C, both at their first start: even their start ids are equal, since key and count are."""
    ours, other = 0, 1
    pad.fly_c(tmp_path / "starts", ours)
    pad.watch()
    pad.fly_c(tmp_path / "other starts", other, OTHER_ID)
    eventually(lambda: {ours, other} <= set(pad.path.said), WITHIN_S)
    assert pad.path.said[ours].boot_id == pad.path.said[other].boot_id
    pad.hear()
    pad.path.send_up(pad.signed("ground_test", other, on=1))  # whoever holds the key can command it
    eventually(lambda: pad.answers(other)[-1:] == [("completed", "none")], WITHIN_S)
    said = len(pad.answers(other))
    pad.path.mutes = {ours}
    eventually(lambda: "vehicle 1002 is heard" in pad.ask("ping")["sentence"], WITHIN_S)
    pad.watcher.wait_for("nothing that is sent is obeyed, Safe all neither: vehicle 1002 is heard")
    pad.path.mutes = {other}
    pad.watcher.wait_for("the vehicle obeys this station")
    pad.armed_in_ground_test()
    pad.done("channel_fire", channel=1)
    pad.safe_all()
    assert len(pad.answers(other)) == said and pad.path.said[other].safed_counter == 0


@pytest.mark.parametrize("half", HALVES)
def test_two_radios_on_one_computer_are_one_execution(pad: Field, half: str) -> None:
    pad.fly_odd(half, "--radios", "2")
    pad.watch()
    pad.hear()
    pad.done("channel_safe", channel=1)
    assert pad.events("lateral channel 1 safe") == 1
    pad.armed_in_ground_test()
    pad.done("channel_fire", channel=1)
    time.sleep(QUIET_S)
    assert pad.events("lateral channel 1 armed") == 1
    pad.safe_all()


# ---------------------------------------------------------------- a memory that fails


@pytest.mark.parametrize("half", HALVES)
def test_safe_all_needs_no_memory(pad: Field, half: str) -> None:
    pad.fly_odd(half, "--store-fails")
    pad.watch()
    pad.hear()
    words = pad.comes_to(pad.ask("camera_power", camera=1, on=1)["id"], "refused")
    assert "not stored" in words, words
    pad.safe_all()
    assert is_safe(pad)


# ---------------------------------------------------------------- two stations, one key


def told_by(pad: Field, *roles: str) -> list[int]:
    """Return the APIDs of the packets in which a vehicle tells these roles."""
    return [pad.dictionary.packets[pad.dictionary.roles[role].packet].apid for role in roles]


def taken_by_another(pad: Field) -> int:
    """Have another computer with the same key switch a camera on, under the number that is next at ours; return it."""
    eventually(lambda: pad.path.said[0].last_counter >= pad.commands()[-1].counter, WITHIN_S)
    told, answered = pad.path.said[0].last_counter, len(pad.answers())
    pad.path.send_up(pad.signed("camera_power", camera=1, on=1))
    eventually(lambda: pad.answers()[answered:] == [("accepted", "none"), ("completed", "none")], WITHIN_S)
    return told + 1


def test_the_signed_identity_packet_tells_which_numbers_are_used(pad: Field) -> None:
    """The key's folders were copied, or came back from a backup, and many a dictionary has no other packet to tell of it."""
    pad.fly_twin("compiled")
    pad.path.left_out = told_by(pad, "uplink.last_counter")
    pad.watch()
    pad.hear()
    pad.done("camera_power", camera=1, on=0)
    taken = taken_by_another(pad)
    eventually(lambda: pad.path.said[0].last_counter == taken, WITHIN_S)
    time.sleep(QUIET_S)
    pad.done("board_inhibit")
    assert pad.commands()[-1].counter > taken
    pad.safe_all()


def test_an_answer_to_another_stations_command_is_no_outcome_of_ours(pad: Field) -> None:
    """Both took the same number within a second: the vehicle says again what it said to the first, and does nothing."""
    pad.fly_twin("compiled")
    pad.watch()
    pad.hear()
    pad.done("camera_power", camera=1, on=0)
    eventually(lambda: pad.path.said[0].last_counter >= pad.commands()[-1].counter, WITHIN_S)
    pad.path.left_out = [IDENTITY_APID, *told_by(pad, "uplink.last_counter")]
    time.sleep(0.3)
    taken = taken_by_another(pad)
    id = pad.ask("channel_safe", channel=1)["id"]
    words = pad.comes_to(id, "unknown", "completed", "verified")
    assert pad.commands()[-1].counter == taken
    assert "another command" in words and "completed" not in pad.states(id), (pad.states(id), words)
    pad.path.left_out = []
    pad.safe_all()


# ---------------------------------------------------------------- no number to be had


def test_safe_all_needs_no_counter_from_the_disk(pad: Field) -> None:
    """Settings that nobody can write to: no command has a number there, and a vehicle obeys Safe all under any."""
    next(pad.keys.glob("counter-*")).with_suffix(".lock").mkdir()
    pad.fly_twin("compiled")
    pad.watch()
    pad.hear()
    words = pad.comes_to(pad.ask("board_inhibit")["id"], "refused")
    assert "cannot be locked" in words, words
    for _ in range(2):
        pad.safe_all()
    numbers = [one.counter for one in pad.commands()]
    assert numbers == sorted(numbers) and len(set(numbers)) == 2, numbers
    assert {type(one) for one in pad.commands()} == {SafeAllFrame}
