"""Stimuli: what is encoded comes out again, what does not fit goes as the nearest, and what is no stimulus is told."""

from __future__ import annotations

import math
import random
import struct

import pytest
from construct import Array, Const, Float32b, Int16ub, Int32ub
from construct import Struct as Shape

from protocol.bound import build_bound_frame
from protocol.dictionary_file import parse_dictionary
from protocol.rehearsal import firing_channels
from protocol.stimulus import StimulusEncoder, open_stimulus
from protocol.vehicle import Rejected, VehicleLink
from tests.protocol.helpers import KEY, SANDPIPER
from tests.protocol.tables.rehearsed import rehearsed

ALL_TYPES = """
  { name = "a", type = "i16le", scale = 0.01, unit = "g", role = "accel.a.x" },
  { name = "b", type = "f16", unit = "rad/s", role = "gyro.a.x" },
  { name = "c", type = "u24", scale = 0.01, unit = "hPa", role = "pressure" },
  { name = "d", type = "bool", role = "separation" },
  { name = "e", type = "bits16", bits = [
    { name = "fix", bit = 0, width = 3, role = "gnss.fix", values = ["none", "time", "flat", "whole"] },
    { name = "satellites", bit = 3, width = 5, role = "gnss.satellites" } ] },
  { name = "f", type = "i64", scale = 1e-9, unit = "deg", role = "gnss.latitude" },
  { name = "g", type = "f64", unit = "deg", role = "gnss.longitude" },
"""


def test_sensors_stand_where_the_page_says() -> None:
    """Independently read by `construct`."""
    shape = Shape(
        "first" / Const(0x1001, Int16ub),
        "count" / Int16ub,
        "length" / Int16ub,
        "head" / Array(4, Int32ub),
        "forces" / Array(12, Float32b),
        "pressure" / Int32ub,
        "crc" / Int16ub,
    )
    rng = random.Random(1)
    encoder = StimulusEncoder(SANDPIPER, 1001, 77)
    for number in range(1, 40):
        values = [rng.uniform(-200.0, 200.0) for _ in range(12)] + [rng.uniform(3e4, 1.1e5)]
        frame = encoder.frame("sensors", number * 10_000, values)
        assert frame[0] == frame[-1] == 0 and 0 not in frame[1:-1]
        content = b"".join(_pieces(frame[1:-1]))
        said = shape.parse(content)
        assert said.count == 0xC000 | number and said.length == len(content) - 6 - 2 - 1
        assert list(said.head) == [1001, 77, number, number * 10_000] and encoder.number == number
        assert list(said.forces) == [struct.unpack(">f", struct.pack(">f", value))[0] for value in values[:12]]
        assert said.pressure == round(values[12] / 0.01)


def _pieces(stuffed: bytes) -> list[bytes]:
    out, at = [], 0
    while at < len(stuffed):
        out.append(stuffed[at + 1 : at + stuffed[at]] + b"\0")
        at += stuffed[at]
    return [*out[:-1], out[-1][:-1]]


def test_every_type_comes_back() -> None:
    dictionary = parse_dictionary(rehearsed(fields=ALL_TYPES))
    packet = dictionary.stimuli["sensors"]
    encoder, rng = StimulusEncoder(dictionary, 7, 1), random.Random(2)
    for _ in range(200):
        values = [rng.uniform(-300, 300), rng.uniform(-9, 9), rng.uniform(0, 1.6e5), rng.randrange(2)]
        values += [rng.randrange(4), rng.randrange(32), rng.uniform(-90, 90), rng.uniform(-180, 180)]
        frame = encoder.frame("sensors", 5, values)
        opened = open_stimulus(dictionary, frame[1:-1])
        assert not isinstance(opened, str) and opened.number == encoder.number
        assert opened.values == packet.unpack(packet.pack(dict(zip(packet.channel_names, values, strict=True))))
        for told, value, near in zip(opened.values, values, (0.05, 0.01, 0.51, 0, 0, 0, 1e-9, 0), strict=True):
            assert told == pytest.approx(value, abs=near)


def test_what_does_not_fit_goes_as_the_nearest() -> None:
    encoder = StimulusEncoder(SANDPIPER, 1001, 77)
    frame = encoder.frame("sensors", 0, [math.nan, math.inf, 1e300, *[0.0] * 9, -5.0])
    opened = open_stimulus(SANDPIPER, frame[1:-1])
    assert not isinstance(opened, str)
    assert math.isnan(opened.values[0]) and opened.values[1:3] == (math.inf, math.inf) and opened.values[12] == 0.0
    supply = open_stimulus(SANDPIPER, encoder.frame("supply", 0, [1e9, math.nan, *[0.5] * 6])[1:-1])
    assert not isinstance(supply, str)
    assert supply.values == pytest.approx((65.535, 65.535, *[0.5] * 6))


def test_the_count_goes_round_with_the_number() -> None:
    encoder = StimulusEncoder(SANDPIPER, 1001, 77)
    encoder.number = 0x3FFF
    opened = open_stimulus(SANDPIPER, encoder.frame("fix", 0, (1.0, 2.0))[1:-1])
    assert not isinstance(opened, str) and opened.number == 0x4000


@pytest.mark.parametrize("time_us", [-1, 2**32])
def test_a_time_that_does_not_fit_uses_no_number(time_us: int) -> None:
    encoder = StimulusEncoder(SANDPIPER, 1001, 77)
    with pytest.raises(ValueError, match="a time of 0"):
        encoder.frame("fix", time_us, (1.0, 2.0))
    with pytest.raises(ValueError, match="needs 2 values"):
        encoder.frame("fix", 0, (1.0,))
    with pytest.raises(KeyError):
        encoder.frame("nothing", 0, ())
    assert encoder.number == 0


@pytest.mark.parametrize(("vehicle_id", "session"), [(0, 1), (2**32, 1), (1, 0), (1, 2**32)])
def test_who_and_which_must_fit(vehicle_id: int, session: int) -> None:
    with pytest.raises(ValueError, match="out of range"):
        StimulusEncoder(SANDPIPER, vehicle_id, session)


def test_what_is_no_stimulus_is_told() -> None:
    frame = StimulusEncoder(SANDPIPER, 1001, 77).frame("fix", 0, (1.0, 2.0))
    assert open_stimulus(SANDPIPER, b"\xff" + frame[2:-1]) == "bad stuffing"
    assert open_stimulus(SANDPIPER, frame[1:-2] + b"\x07") == "bad checksum"
    other = StimulusEncoder(parse_dictionary(rehearsed()), 1001, 77).frame("sensors", 0, [0.0])  # the same APID, shorter
    assert open_stimulus(SANDPIPER, other[1:-1]) == "wrong length"


def test_a_flight_build_refuses_to_begin_and_drops_what_is_played() -> None:
    """The Python vehicle, which the twin flies, is one."""
    vehicle = VehicleLink(SANDPIPER, KEY, 5)
    for counter, (name, args) in enumerate(
        [("rehearsal_enter", {}), ("rehearsal_leave", {}), ("simulator_connect", {"channel": 2.0})], 1
    ):
        command = SANDPIPER.commands[name]
        told = build_bound_frame(KEY, 1001, 5, SANDPIPER.hash32, counter, 5000, command.code, command.pack_args(args))
        (taken,) = vehicle.receive(told, 0)
        assert isinstance(taken, Rejected) and taken.reason == "not in this build" and taken.answer is not None
    encoder = StimulusEncoder(SANDPIPER, 1001, 1)
    for name, stimulus in SANDPIPER.stimuli.items():
        (dropped,) = vehicle.receive(encoder.frame(name, 0, [0.0] * len(stimulus.channels)))
        assert isinstance(dropped, Rejected) and dropped.answer is None
    assert vehicle.frames_bad == len(SANDPIPER.stimuli)


def test_bits_of_channels_are_in_order() -> None:
    assert firing_channels(SANDPIPER.roles) == (
        ("channel[1]", "channel[2]", "channel[3]", "channel[4]"),
        ("recovery[1]", "recovery[2]"),
    )
    roles = ["recovery[nose].armed", "channel[10].fired", "channel[9].armed", "channel[x].armed", "camera[1].powered"]
    assert firing_channels(roles) == (("channel[9]", "channel[10]", "channel[x]"), ("recovery[nose]",))
