"""Sheets that describe a vehicle, and sheets with slips of the pen: each named by its place."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from server.design.configuration import ConfigurationProblem
from server.design.configuration_sheet import configuration_of
from server.design.sheet_files import load_sheets

VEHICLE = load_sheets(None, True).vehicle


def changed(path: str, value: Any) -> dict[str, Any]:
    """The demonstration's sheet with one entry changed; "..." takes it away."""
    sheet = copy.deepcopy(dict(VEHICLE))
    *way, last = path.split("/")
    here: Any = sheet
    for key in way:
        here = here[int(key) if key.isdigit() else key]
    if value is ...:
        del here[last]
    else:
        here[last] = value
    return sheet


def test_the_demonstration_sheet_is_read_whole() -> None:
    found = configuration_of(VEHICLE)
    assert found is not None and found.motor is not None
    assert (len(found.masses), len(found.fin_sets), found.nose_shape) == (10, 1, "ogive")
    assert found.motor.curve.impulse_n_s == pytest.approx(138.39) and found.fin_sets[0].exchangeable


def test_a_sheet_without_one_has_none() -> None:
    assert configuration_of({"diameter_m": 0.05}) is None
    assert configuration_of(changed("configuration/motor", ...)).motor is None


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        ("configuration", 3, "no table"),
        ("diameter_m", ..., "diameter_m"),
        ("diameter_m", 10**400, "diameter_m"),
        ("length_m", "long", "length_m"),
        ("configuration/noze", {}, "noze"),
        ("configuration/nose/shape", "blunt", "shape"),
        ("configuration/nose/shape", ["cone"], "shape"),
        ("configuration/nose", ..., "nose"),
        ("configuration/nose/length_m", 9.0, "length_m"),
        ("configuration/masses", [], "no masses"),
        ("configuration/masses", "many", "masses"),
        ("configuration/masses/2/mass_kg", -1.0, "masses, line 3: mass_kg"),
        ("configuration/masses/2/mass_kg", float("nan"), "masses, line 3: mass_kg"),
        ("configuration/masses/2/mass_kg", True, "masses, line 3: mass_kg"),
        ("configuration/masses/2/station_m", 2.0, "station_m"),
        ("configuration/masses/2/name", "", "name"),
        ("configuration/masses/2/weight", 1, "weight"),
        ("configuration/fins/0/count", 5, "count"),
        ("configuration/fins/0/count", True, "count"),
        ("configuration/fins/0/count", [4], "count"),
        ("configuration/fins/0/span_m", 0.0, "span_m"),
        ("configuration/fins/0/exchangeable", "yes", "exchangeable"),
        ("configuration/fins", [{}] * 4, "at most 3"),
        ("configuration/masses", [{}] * 201, "at most 200"),
        ("configuration/transitions", [{"name": "x", "start_m": 0, "length_m": 0.1, "fore_m": 0.05, "aft_m": 0.05}], "same"),
        ("configuration/motor/thrust", [[0, 0], [1]], "thrust"),
        ("configuration/motor/thrust", "curve", "thrust"),
        ("configuration/motor/thrust", [[0, 0], [1, 10**400]], "thrust"),
        ("configuration/motor/thrust", [[0, 0], ["a", "b"]], "thrust"),
        ("configuration/motor/propellant_kg", None, "propellant_kg"),
        ("configuration/motor", [1], "motor"),
    ],
)
def test_slips_are_named(path: str, value: Any, says: str) -> None:
    with pytest.raises(ConfigurationProblem, match=says):
        configuration_of(changed(path, value))


def test_a_vehicle_that_weighs_or_carries_nothing_is_refused() -> None:
    light = changed("configuration/masses", [{"name": "air", "mass_kg": 0, "station_m": 0.5}])
    light["configuration"]["fins"] = []
    with pytest.raises(ConfigurationProblem, match="no mass"):
        configuration_of(light)
    waist = [{"name": name, "start_m": 0.5, "length_m": 0.1, "fore_m": 0.05, "aft_m": 0.01} for name in "ab"]
    narrow = changed("configuration/transitions", waist)
    narrow["configuration"]["fins"] = []
    with pytest.raises(ConfigurationProblem, match="nothing that carries"):
        configuration_of(narrow)


def test_long_values_are_cut_in_the_sentence() -> None:
    with pytest.raises(ConfigurationProblem) as caught:
        configuration_of(changed("configuration/nose/shape", "x" * 10_000))
    assert len(str(caught.value)) < 200
