"""Frames: body axes and world of a vehicle are turned once, alike on both paths, and back when packed."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from protocol.bulk import decode_stream
from protocol.dictionary_file import parse_dictionary
from protocol.errors import DictionaryError
from protocol.frames import BODY_AXES, Frames
from server.telemetry.conditions import Reading, Readings, check_condition
from tests.protocol.helpers import HEAD
from tests.traffic import VehicleLink

AXES = ("x", "-x", "y", "-y", "z", "-z")
ROLES = {
    **{f"a{axis}": (f"accel.a.{axis}", "g") for axis in "xyz"},
    **{f"g{axis}": (f"gyro.a.{axis}", "rad/s") for axis in "xyz"},
    **{f"q{part}": (f"attitude_quaternion.{part}", "1") for part in "wxyz"},
}


def dictionary_of(nose: str, world: str = "east-north-up", more: str = ""):
    """A vehicle that tells forces, rates and attitude in a frame of its own."""
    fields = ", ".join(f'{{ name = "{n}", type = "f64", role = "{r}", unit = "{u}" }}' for n, (r, u) in ROLES.items())
    frames = f'[frames]\nnose = "{nose}"\nworld = "{world}"\n'
    return parse_dictionary(f"{HEAD}{frames}[packet.a]\napid = 1\nfields = [ {fields}{more} ]")


def matrix_of(q: np.ndarray) -> np.ndarray:
    """The rotation matrix of a unit quaternion, for the test alone."""
    w, x, y, z = q
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )


def axes_matrix(nose: str) -> np.ndarray:
    """Station axes out of the vehicle's."""
    unit = dict(zip("xyz", np.eye(3), strict=True))
    return np.array([unit[axis[-1]] * (-1 if axis[0] == "-" else 1) for axis in BODY_AXES[nose]])


@pytest.mark.parametrize("nose", AXES)
@pytest.mark.parametrize("world", ["east-north-up", "north-east-down"])
def test_a_vector_and_a_turn_mean_the_same_in_both_frames(nose: str, world: str) -> None:
    body = axes_matrix(nose)
    assert np.linalg.det(body) == pytest.approx(1.0)
    assert (body @ ({"x": 0, "y": 1, "z": 2}[nose[-1]] == np.arange(3))) @ [0, 0, 1] == (-1 if nose[0] == "-" else 1)
    to_station = np.array([[0, 1, 0], [1, 0, 0], [0, 0, -1.0]]) if world == "north-east-down" else np.eye(3)
    q = np.array([0.5, -0.1, 0.7, 0.3])
    q /= np.linalg.norm(q)
    force, rate = np.array([1.0, -2.0, 3.0]), np.array([0.3, 0.2, -0.1])
    dictionary = dictionary_of(nose, world)
    packet = dictionary.packets["a"]
    told = packet.unpack(struct.pack(">10d", *force, *rate, *q))
    by_role = {channel.role: value for channel, value in zip(packet.channels, told, strict=True)}
    assert [by_role[f"accel.a.{a}"] for a in "xyz"] == pytest.approx(body @ force * 9.80665)
    assert [by_role[f"gyro.a.{a}"] for a in "xyz"] == pytest.approx(body @ rate)
    turned = np.array([by_role[f"attitude_quaternion.{part}"] for part in "wxyz"])
    assert matrix_of(turned) == pytest.approx(to_station @ matrix_of(q) @ body.T, abs=1e-12)

    # The bulk path says the same to the last digit, and packing turns back.
    values = {channel.name: value for channel, value in zip(packet.channels, told, strict=True)}
    frame = VehicleLink(dictionary, bytes(32), 1).frame("a", 0, values)
    columns = decode_stream(dictionary, frame).packets["a"].columns
    sent = packet.pack(values)
    assert [float(columns[c.name][0]) for c in packet.channels] == list(packet.unpack(sent))
    assert struct.unpack(">10d", sent) == pytest.approx([*force, *rate, *q], abs=1e-12)


def test_down_is_up_turned_where_the_world_is_north_east_down() -> None:
    more = ', { name = "d", type = "f64", role = "velocity.down", unit = "m/s" }'
    channel = dictionary_of("z", "north-east-down", more).roles["velocity.up"]
    assert channel.converter()(5.0) == -5.0
    assert "velocity.up" not in dictionary_of("z", "east-north-up", more).roles


def test_limits_and_ranges_are_turned_too() -> None:
    text = 'name = "f", type = "f32", unit = "g", role = "accel.a.y", sensor_range = [-16, 8], limits = { caution_low = -2 }'
    frames = '[frames]\nnose = "-y"\n'
    channel = parse_dictionary(f"{HEAD}{frames}[packet.a]\napid = 1\nfields = [ {{ {text} }} ]").roles["accel.a.z"]
    assert channel.sensor_range == pytest.approx((-8 * 9.80665, 16 * 9.80665))
    assert channel.limits == {"caution_high": pytest.approx(2 * 9.80665)}


def test_a_condition_compares_in_the_declared_unit_and_the_stations_axes() -> None:
    interlock = '[interlock.up]\nrole = "accel.a.z"\nat_least = 0.9\n'
    text = 'name = "f", type = "f32", unit = "g", role = "accel.a.y"'
    dictionary = parse_dictionary(
        f'{HEAD}[frames]\nnose = "-y"\n{interlock}[packet.a]\napid = 1\nrate_hz = 5\nfields = [ {{ {text} }} ]'
    )
    value = float(dictionary.roles["accel.a.z"].converter()(-1.0))

    class Resting(Readings):
        def reading(self, role: str, now_s: float) -> Reading:
            return Reading(value, 1.0)

    assert value == pytest.approx(9.80665)
    assert check_condition(dictionary, dictionary.interlocks["up"], {}, Resting(), 1.0, 2.0).met


def test_an_attitude_split_over_packets_cannot_be_turned() -> None:
    parts = [
        f'[packet.p{i}]\napid = {i}\nfields = [ {{ name = "q", type = "f32", role = "attitude_quaternion.{part}" }} ]'
        for i, part in enumerate("wxyz", 1)
    ]
    with pytest.raises(DictionaryError, match="all four attitude_quaternion roles in one packet"):
        parse_dictionary("\n".join([HEAD, '[frames]\nnose = "x"', *parts]))
    with pytest.raises(DictionaryError, match="nose"):
        dictionary_of("up")


def test_nothing_declared_is_the_stations_own() -> None:
    assert Frames().turned("accel.a.y") == ("accel.a.y", 1.0) and Frames().attitude is None
