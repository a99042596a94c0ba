"""The small sample vehicle: its hop in closed form, its packets at their rates, its commands byte for byte."""

from __future__ import annotations

import pytest

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.events import PacketReceived
from protocol.link import Link
from server.flight.air.atmosphere import height_above_pad_m
from server.twin.hop import APOGEE_M, PAD_K, PAD_PA, HopVehicle
from server.twin.telemetry import TwinProblem
from tests.protocol.foreign.foreign_helpers import SAMPLES
from tests.protocol.helpers import SANDPIPER, events_of


def heard(dictionary: Dictionary, data: bytes) -> dict[str, list[dict[str, object]]]:
    """Return every packet's values by name, in order."""
    out: dict[str, list[dict[str, object]]] = {}
    for event in events_of(Link(dictionary), [data]):
        if isinstance(event, PacketReceived):
            names = [channel.name for channel in event.packet.channels]
            out.setdefault(event.packet.name, []).append(dict(zip(names, event.values, strict=True)))
    return out


@pytest.mark.parametrize("dictionary", SAMPLES.values(), ids=SAMPLES)
def test_packets_come_at_their_rates_and_tell_the_hop(dictionary: Dictionary) -> None:
    vehicle = HopVehicle(dictionary, 5.0)
    packets = heard(dictionary, vehicle.advance(80.0))
    for name, packet in dictionary.packets.items():
        assert len(packets[name]) == pytest.approx(80 * packet.rate_hz, abs=1)
    lowest = min(values["pressure"] for values in packets["state"])
    apogee = float(height_above_pad_m(lowest, PAD_PA, PAD_K))
    assert apogee == pytest.approx(APOGEE_M, rel=0.01)
    phases = list(dict.fromkeys(values["phase"] for values in packets["state"]))
    assert phases == [2, 3, 4, 5, 6] and vehicle.landed
    assert vehicle.truth()["phase"] == "landed"


@pytest.mark.parametrize("dictionary", SAMPLES.values(), ids=SAMPLES)
def test_it_obeys_commands_in_pieces_and_amid_noise(dictionary: Dictionary) -> None:
    vehicle, link = HopVehicle(dictionary, None), Link(dictionary)
    stream = (
        b"noise"
        + link.send("camera_power", {"camera": 1, "on": 1}, 1)
        + b"xx"
        + link.send("recovery_arm", {"channel": 1}, 2)
    )
    for octet in stream:
        vehicle.uplink(bytes([octet]))
    assert vehicle.obeyed == [("camera_power", {"camera": 1, "on": 1}), ("recovery_arm", {"channel": 1})]
    (last,) = heard(dictionary, vehicle.advance(0.5))["switches"]
    assert (last["camera"], last["armed"]) == (1, 1)
    vehicle.uplink(link.send("safe_all", {}, 3))
    assert vehicle.armed == 0.0
    vehicle.uplink(bytes(5000))
    assert len(vehicle.obeyed) == 3


@pytest.mark.parametrize("dictionary", SAMPLES.values(), ids=SAMPLES)
def test_the_step_of_advance_changes_nothing(dictionary: Dictionary) -> None:
    one, many = HopVehicle(dictionary, 2.0), HopVehicle(dictionary, 2.0)
    assert one.advance(10.0) == b"".join(many.advance(0.03 * step) for step in range(1, 334)) + many.advance(10.0)


def test_a_dictionary_of_the_house_wire_is_refused() -> None:
    with pytest.raises(ValueError, match="no framing of its own"):
        HopVehicle(SANDPIPER)


def test_a_command_of_too_many_forms_is_refused() -> None:
    """All its bytes would be kept; a 32-bit argument would fill the memory before the first packet."""
    text = SAMPLES["wren"].text.replace('type = "u8", min = 1, max = 1 }', 'type = "u32", min = 1, max = 4000000000 }')
    assert text != SAMPLES["wren"].text
    with pytest.raises(TwinProblem, match="The command camera_power has 8000000000 forms"):
        HopVehicle(parse_dictionary(text))
