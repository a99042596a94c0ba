"""Every source fills all fields of its packet, and the packets together fit the wire."""

from __future__ import annotations

from protocol.vehicle import VehicleLink
from server.twin.telemetry import SOURCES, LinkLevels, Telemetry
from tests.server.twin.helpers import KEY, clean_twin, dictionary


def test_sources_fill_exactly_the_fields() -> None:
    twin = clean_twin()
    twin.advance(1.0)
    for name, source in SOURCES.items():
        assert set(source(twin.computer)) == {channel.name for channel in dictionary().packets[name].channels}, name


def test_packets_are_spread_over_the_cycles() -> None:
    twin = clean_twin()
    telemetry = Telemetry(dictionary(), twin.computer, VehicleLink(dictionary(), KEY, 1), LinkLevels())
    twin.advance(0.5)
    sizes = [sum(len(f) for _, f in telemetry.frames(cycle, cycle * 10)) for cycle in range(200, 400)]
    # 57.6 bytes leave per 10 ms cycle; no cycle may ask for more than a few of them at once.
    assert max(sizes) < 4 * 57.6
    assert sum(sizes) / 2.0 < 5760.0
