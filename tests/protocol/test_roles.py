"""The registry of roles: the samples are in it, WIRE.md lists it, and units become the role's own at the edge."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

import protocol.roles
from protocol.bulk import decode_stream
from protocol.dictionary_file import parse_dictionary
from protocol.fields import Packet
from protocol.roles import REGISTRY, entry_of, registry_lines, spelled, to_role_unit
from server.workbench.dictionary_lint import nearest
from tests.protocol.foreign.foreign_helpers import PLOVER, WREN
from tests.protocol.helpers import HEAD, SANDPIPER
from tests.traffic import VehicleLink

DOCUMENT = Path(protocol.roles.__file__).with_name("WIRE.md").read_text("utf-8")


@pytest.mark.parametrize("dictionary", [SANDPIPER, WREN, PLOVER], ids=lambda one: one.name)
def test_every_role_of_the_samples_is_known(dictionary) -> None:
    assert [role for role in dictionary.roles if entry_of(role) is None] == []


def test_no_role_has_two_entries() -> None:
    every = [name.replace("[n]", "[1]") for entry in REGISTRY for name in spelled(entry.pattern)]
    assert len(every) == len(set(every)) and all(entry_of(role) is not None for role in every)


def test_the_page_lists_the_registry() -> None:
    assert [line for line in DOCUMENT.split("## 13. Roles")[1].splitlines() if line.startswith("|")] == registry_lines()


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("presure", "pressure"),
        ("acel.a.z", "accel.a.z"),
        ("fin[3].measurd", "fin[3].measured"),
        ("gnss.lat", "gnss.latitude"),
    ],
)
def test_the_nearest_role_is_named(written: str, meant: str) -> None:
    assert entry_of(written) is None and nearest(written) == meant


def test_what_is_like_nothing_has_no_nearest() -> None:
    assert nearest("zzzzqq") is None


@pytest.mark.parametrize(
    ("role", "unit", "told", "wanted"),
    [
        ("pressure", "hPa", 941.25, 94125.0),
        ("pressure", "mbar", 941.25, 94125.0),
        ("accel.a.z", "g", 2.0, 19.6133),
        ("baro_temperature", "degC", 21.5, 294.65),
        ("altitude_baro", "ft", 1000.0, 304.8),
        ("gyro.a.x", "deg/s", 180.0, np.pi),
        ("gnss.speed", "km/h", 36.0, 10.0),
        ("gnss.latitude", "rad", 0.5, np.degrees(0.5)),
    ],
)
def test_a_float_is_converted_alike_on_both_paths(role: str, unit: str, told: float, wanted: float) -> None:
    dictionary = parse_dictionary(
        HEAD + f'[packet.a]\napid = 1\nfields = [ {{ name = "x", type = "f64", unit = "{unit}", role = "{role}" }} ]'
    )
    packet: Packet = dictionary.packets["a"]
    live = packet.unpack(struct.pack(">d", told))[0]
    assert live == pytest.approx(wanted, rel=1e-12)
    assert packet.channels[0].on_wire(live) == pytest.approx(told, rel=1e-12)
    assert packet.unpack(packet.pack({"x": live}))[0] == pytest.approx(live, rel=1e-12)
    whole = (
        decode_stream(dictionary, VehicleLink(dictionary, bytes(32), 1).frame("a", 0, {"x": live})).packets["a"].columns["x"]
    )
    assert whole[0] == pytest.approx(wanted, rel=1e-12)


def test_limits_and_ranges_are_turned_with_their_channel() -> None:
    text = 'name = "p", type = "u16", unit = "hPa", role = "pressure", range = [300, 1100], limits = { caution_low = 900 }'
    channel = parse_dictionary(HEAD + f"[packet.a]\napid = 1\nfields = [ {{ {text} }} ]").roles["pressure"]
    assert (channel.unit, channel.display_unit, channel.range) == ("Pa", "hPa", (30000.0, 110000.0))
    assert channel.limits == {"caution_low": 90000.0}


def test_another_dimension_has_no_way_and_no_role_is_as_it_is() -> None:
    assert to_role_unit("pressure", "m") is None
    assert to_role_unit("nobodys.role", "furlong") == to_role_unit(None, "hPa") == (1.0, 0.0)
