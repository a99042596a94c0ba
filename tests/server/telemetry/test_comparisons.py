"""Comparisons written in TOML: which roles there are, and which operands no reading could ever be compared with."""

from __future__ import annotations

import tomllib

import pytest

from protocol.errors import DictionaryError
from protocol.toml_table import TomlTable
from server.telemetry.comparisons import RoleComparison, known_roles, read_comparison
from tests.server.pad.pad_world import DICTIONARY, told


def read(text: str) -> RoleComparison:
    return read_comparison(TomlTable(tomllib.loads(text), "here", "file.toml"), DICTIONARY, known_roles(DICTIONARY))


def test_roles_of_the_vehicle_of_the_station_and_of_a_family() -> None:
    assert read('role = "vehicle_phase"\nequals = "pad"') == RoleComparison(("vehicle_phase",), "equals", "pad", 0.0)
    assert read('role = "ground.link_age"\nat_most = 2').roles == ("ground.link_age",)
    assert read('role = "ground.pad_minutes_on"\nat_least = 2').word == "at_least"
    assert read('role = "fin[*].measured"\nequals = 0\nwithin = 0.1').within == 0.1
    assert len(read('role = "fin[*].measured"\nequals = 0').roles) == 4


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('role = "fin[*].nothing"\nequals = 0', "here.role: the dictionary has no role"),
        ('role = "vehicle_phase"', "here: needs exactly one of"),
        ('role = "vehicle_phase"\nequals = "pad"\none_of = []', "here: needs exactly one of"),
        ('role = "vehicle_phase"\none_of = ["pad", "moon"]', "here.one_of: 'moon' is no value"),
        ('role = "ground.link_age"\nat_most = "two"', "here.at_most: 'two' is no value"),
        ('role = "ground.link_age"\nat_most = nan', "here.at_most: nan is no value"),
        ('role = "ground.link_age"\nat_most = [1]', "is no value"),
        ('role = "ground.link_age"\nequals = 2026-01-01', "here.equals: must be a number, a text or a list of these"),
    ],
)
def test_what_cannot_be_compared_is_refused(text: str, said: str) -> None:
    with pytest.raises(DictionaryError) as error:
        read(text)
    assert said in told(error.value)
