"""Every packet of the dictionary has a source that fills all its fields and fits the wire."""

from __future__ import annotations

import math

import pytest

from protocol.vehicle import VehicleLink
from server.twin.telemetry import SOURCES, LinkLevels, Telemetry
from tests.server.twin.helpers import KEY, clean_twin, dictionary


@pytest.mark.parametrize("name", list(SOURCES))
def test_sources_fill_exactly_the_fields(name: str) -> None:
    twin = clean_twin()
    twin.advance(1.0)
    values = SOURCES[name](twin.computer)
    assert set(values) == {channel.name for channel in dictionary().packets[name].channels}


def test_every_periodic_packet_has_a_source() -> None:
    periodic = {name for name, packet in dictionary().packets.items() if packet.rate_hz > 0.0}
    assert periodic == set(SOURCES) | {"link"}


def test_packets_are_spread_over_the_cycles() -> None:
    twin = clean_twin()
    telemetry = Telemetry(dictionary(), twin.computer, VehicleLink(dictionary(), KEY, 1), LinkLevels())
    twin.advance(0.5)
    sizes = [sum(len(f) for _, f in telemetry.frames(cycle, cycle * 10)) for cycle in range(200, 400)]
    # 57.6 bytes leave per 10 ms cycle; no cycle may ask for more than a few of them at once.
    assert max(sizes) < 4 * 57.6
    assert sum(sizes) / 2.0 < 5760.0


def test_one_bad_frame_is_sent_once_and_counted() -> None:
    twin = clean_twin()
    twin.advance(1.0)
    twin.computer.bad_number_due = True
    first, second = SOURCES["navigation"](twin.computer), SOURCES["navigation"](twin.computer)
    assert math.isnan(first["q_w"]) and math.isfinite(first["up"])
    assert all(math.isfinite(value) for value in second.values())
