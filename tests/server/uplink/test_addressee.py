"""To whom commands go: identity, dictionary, start and clock, as they are heard, forged, late or silent."""

from __future__ import annotations

from dataclasses import replace

import pytest

from protocol.dictionary import Dictionary
from protocol.identity import Identity
from server.uplink.addressee import IDENTITY_FRESH_S, VALID_S, Addressee
from server.uplink.command_state import State
from tests.server.uplink.queue_world import KEY, A, dictionary, first_wire, first_wire_at_risk, ready_world

SAID = Identity(0, 1001, dictionary().hash32, 0xFEED, 0, 0)
OTHER_KEY = bytes(32)


def signed(said: Identity, vehicle_ms: int, key: bytes = KEY) -> Identity:
    values = said.values(key, vehicle_ms)
    return replace(said, tag=values["tag_high"] << 32 | values["tag_low"])


def heard(said: Identity = SAID, vehicle_ms: int = 5000, key: bytes = KEY, words: Dictionary | None = None) -> Addressee:
    addressee = Addressee(words or dictionary(), KEY)
    addressee.on_identity(signed(said, vehicle_ms, key), vehicle_ms, 10.0)
    return addressee


def test_what_is_known_and_ours_is_addressed() -> None:
    assert heard().why_not("hazardous", 10.0 + IDENTITY_FRESH_S) is None


@pytest.mark.parametrize(
    "addressee, said",
    [
        (Addressee(dictionary(), KEY), "the vehicle has not yet said who it is"),
        (heard(key=OTHER_KEY), "does not hold this station's command key"),
        (heard(replace(SAID, vehicle_id=1002)), "vehicle 1002 is heard, this station commands vehicle 1001"),
        (heard(replace(SAID, dictionary_hash=1)), "built from another dictionary (hash 00000001, ours is"),
        (heard(replace(SAID, boot_id=0)), "no start id"),
    ],
)
def test_everything_else_is_refused_in_words_whatever_the_hazard(addressee: Addressee, said: str) -> None:
    for hazard in ("routine", "guarded", "hazardous"):
        assert said in str(addressee.why_not(hazard, 10.5))  # type: ignore[arg-type]  # the three words of Hazard


@pytest.mark.parametrize(
    ("said", "key", "words"),
    [
        (SAID, OTHER_KEY, "does not hold this station's command key"),
        (replace(SAID, vehicle_id=1002), KEY, "vehicle 1002 is"),
    ],
)
def test_whom_safe_all_cannot_reach_is_known_before_anybody_presses_it(said: Identity, key: bytes, words: str) -> None:
    addressee = Addressee(dictionary(), KEY)
    assert addressee.why_deaf is None, "nobody was heard"
    for second in range(10):
        addressee.on_identity(signed(said, second * 1000, key), second * 1000, float(second))
        assert (addressee.why_deaf is None) == (second <= IDENTITY_FRESH_S), "ours may be the next to be heard"
    assert words in str(addressee.why_deaf)
    addressee.on_identity(signed(SAID, 9500), 9500, 9.5)
    assert addressee.why_deaf is None
    for second in (10, 11, 12):
        addressee.on_identity(signed(said, second * 1000, key), second * 1000, float(second))
    assert addressee.why_deaf is None, "ours is heard beside it"


def test_another_dictionary_or_start_keeps_safe_all_from_nothing() -> None:
    addressee = Addressee(dictionary(), KEY)
    for second in range(10):
        other = replace(SAID, dictionary_hash=1, boot_id=0)
        addressee.on_identity(signed(other, second * 1000), second * 1000, float(second))
    assert addressee.why_deaf is None


def test_an_identity_of_long_ago_is_nobodys() -> None:
    assert (
        heard().why_not("routine", 10.1 + IDENTITY_FRESH_S)
        == "the vehicle last said who it is 5 s ago; wait until it is heard again"
    )


def test_a_replayed_identity_does_not_make_a_command_live_longer() -> None:
    """What was recorded earlier of the same start tells an earlier clock: the command then runs out sooner, never later."""
    addressee = heard(vehicle_ms=60_000)
    honest = addressee.valid_until_ms(11.0)
    addressee.on_identity(signed(SAID, 1000), 1000, 11.0)
    assert addressee.valid_until_ms(11.0) == honest == 60_000 + 1000 + VALID_S * 1000.0


def test_a_forged_clock_is_not_believed() -> None:
    addressee = heard(vehicle_ms=1000)
    forged = replace(signed(SAID, 1000), tag=signed(SAID, 1000).tag)
    addressee.on_identity(forged, 3_600_000, 10.5)
    assert addressee.valid_until_ms(10.5) == 1000 + 500 + VALID_S * 1000.0


def test_the_vehicles_clock_is_followed_over_drift_and_delay() -> None:
    """I20: a vehicle clock 50 ppm slow, all but one packet in ten delayed: never more than 1 ms of excess, over an hour."""
    addressee = Addressee(dictionary(), KEY)
    for second in range(3600):
        vehicle_ms = round(second * 1000.0 * (1.0 - 50e-6))
        delay_s = 0.02 if second % 10 == 0 else 0.5
        addressee.on_identity(signed(SAID, vehicle_ms), vehicle_ms, second + delay_s)
        true_ms = vehicle_ms + delay_s * 1000.0
        until = addressee.valid_until_ms(second + delay_s)
        assert until is not None and -600.0 <= until - VALID_S * 1000.0 - true_ms <= 1.0


def test_another_vehicle_of_the_same_start_id_has_a_clock_of_its_own() -> None:
    """Where starts are only counted, two boards with one key may name theirs alike, and one clock runs ahead."""
    addressee = heard(vehicle_ms=5000)
    other = replace(SAID, vehicle_id=1002)
    addressee.on_identity(signed(other, 9000), 9000, 11.0)
    addressee.on_identity(signed(SAID, 7000), 7000, 12.0)
    assert addressee.valid_until_ms(12.0) == 7000 + VALID_S * 1000


def test_a_clock_that_wraps_is_followed_on() -> None:
    """The least delayed packet is the reference, also beyond 2^32 ms."""
    addressee = heard(vehicle_ms=2**32 - 1000)  # at 10 s
    addressee.on_identity(signed(SAID, 400), 400, 11.5)  # 0.1 s later than foretold: it was delayed
    assert addressee.valid_until_ms(11.5) == pytest.approx(500 + VALID_S * 1000, abs=1)
    addressee.on_identity(signed(SAID, 1100), 1100, 12.0)  # 0.1 s sooner than foretold
    assert addressee.valid_until_ms(12.0) == 1100 + VALID_S * 1000


def test_another_start_has_a_clock_of_its_own() -> None:
    addressee = heard(vehicle_ms=900_000)
    addressee.on_identity(signed(replace(SAID, boot_id=0xBEEF), 100), 100, 20.0)
    assert addressee.valid_until_ms(20.0) == 100 + VALID_S * 1000.0


# ---------------------------------------------------------------- vehicles whose commands are bound to nothing


def unbound(risk: bool = False, allows: bool = True, told: int | None = None) -> Addressee:
    addressee = Addressee(first_wire_at_risk() if risk else first_wire(), KEY)
    addressee.allows_unbound = allows
    addressee.on_hash(told)
    return addressee


def test_one_rule_for_vehicles_whose_commands_are_bound_to_nothing() -> None:
    """I19."""
    ours = first_wire().hash32
    assert "allow routine ones" in str(unbound(allows=False, told=ours).why_not("routine", 0.0))
    assert unbound(told=None).why_not("routine", 0.0) is None
    assert "another dictionary" in str(unbound(told=1).why_not("routine", 0.0))
    assert "has not accepted that risk" in str(unbound(told=ours).why_not("hazardous", 0.0))
    assert "has not accepted that risk" in str(unbound(told=ours).why_not("guarded", 0.0))
    assert "dictionary is not known" in str(unbound(risk=True).why_not("hazardous", 0.0))
    assert unbound(risk=True, told=ours).why_not("hazardous", 0.0) is None


# ---------------------------------------------------------------- the queue asks


def test_the_queue_refuses_what_cannot_be_addressed_at_every_act() -> None:
    """I19."""
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.vehicle.silent_about = {"identity"}
    world.advance(IDENTITY_FRESH_S + 0.5)
    assert "last said who it is" in world.confirm(armed.id, "channel_arm", channel=1).sentence
    assert "last said who it is" in world.submit("ping").sentence
    assert "last said who it is" in world.arm("channel_arm", channel=2).sentence
    assert world.safe_all().ok
    world.advance(0.5)
    assert [e.command for e in world.vehicle.executed] == ["safe_all"]


def test_a_start_that_nobody_signed_for_is_not_addressed() -> None:
    """I19: whoever can send telemetry can name another start; that the vehicle would refuse it is no reason to send it."""
    world = ready_world()
    forged = replace(world.vehicle.link.memory.identity(0), boot_id=0xBEEF).values(OTHER_KEY, world.vehicle.ms)
    world.hear(world.vehicle.link.frame("identity", world.vehicle.ms, forged))
    assert "another start of the vehicle than the one that was signed for" in world.submit("ping").sentence
    world.advance(0.5)
    assert world.submit("ping").ok, "the vehicle said again who it is"


def test_only_a_signed_identity_says_that_everything_is_safe() -> None:
    """I10: the vehicle answers a Safe all by its identity too, for a station that knows another dictionary."""
    world = ready_world()
    world.deaf_to = {"answer"}
    world.up.cut = True
    asked = world.safe_all().id
    world.advance(0.3)
    memory, ms = world.vehicle.link.memory, world.vehicle.ms
    counter = world.queue._table.get(str(asked)).counter
    said = replace(memory.identity(0), safed_counter=counter)
    world.hear(world.vehicle.link.frame("identity", ms, said.values(OTHER_KEY, ms)))
    assert world.queue.view(str(asked)).state is State.SENT
    world.up.cut = False
    world.advance(2.0)
    assert world.queue.view(str(asked)).state is State.VERIFIED


def test_only_who_holds_authority_allows_unbound_commands() -> None:
    world = ready_world(words=first_wire())
    assert "allow routine ones" in world.submit("ping").sentence
    assert not world.queue.allow_unbound("Ben 1", world.now_s).ok
    assert world.queue.allow_unbound(A, world.now_s).ok
    assert world.submit("ping").ok
    assert not ready_world().queue.allow_unbound(A, 0.0).ok
