"""Interlocks and effects: what counts as met, what never does, and what a person reads."""

from __future__ import annotations

import pytest

from protocol.commands import Command, Condition
from protocol.dictionary_file import load_dictionary, parse_dictionary
from server.telemetry.conditions import FRESH_S, Reading, check_conditions, effect_shown

DICTIONARY = load_dictionary()


class Table:
    """Readings from a table of role -> (value, arrival)."""

    def __init__(self, **values: tuple[float, float]) -> None:
        self.values = values

    def reading(self, role: str, now_s: float) -> Reading | None:
        found = self.values.get(role.replace(".", "_").replace("[", "_").replace("]", ""))
        return None if found is None else Reading(*found)


def condition(role: str = "vehicle_phase", comparison: str = "equals", operand: object = 0, **more) -> Condition:
    return Condition(name="one", title="One", role=role, comparison=comparison, operand=operand, **more)


def command(interlocks: tuple = (), effects: tuple = ()) -> Command:
    return Command(name="x", code=1, hazard="hazardous", title="X", does="", interlocks=interlocks, effects=effects)


def met(one: Condition, value: float, age_s: float = 0.0, args: dict[str, float] | None = None) -> tuple[bool, str]:
    name = one.role_for(args or {}).replace(".", "_").replace("[", "_").replace("]", "")
    table = Table(**{name: (value, 100.0 - age_s)})
    check = check_conditions(DICTIONARY, command((one,)).interlocks, args or {}, table, 100.0)[0]
    return check.met, check.value_text


@pytest.mark.parametrize(
    ("one", "value", "expected"),
    [
        (condition("board.inhibited", "equals", 0), 0.0, (True, "board inhibited: no")),
        (condition("board.inhibited", "equals", 0), 1.0, (False, "board inhibited: yes")),
        (condition("vehicle_phase", "equals", "pad"), 2.0, (True, "pad")),
        (condition("vehicle_phase", "one_of", ["pad", "ground test"]), 1.0, (True, "ground test")),
        (condition("vehicle_phase", "one_of", ["pad"]), 3.0, (False, "boost")),
        (condition("vehicle_phase", "one_of", []), 3.0, (False, "boost")),
        (condition("ground.tilt", "at_most", 0.5), 0.5, (True, "28.6 deg")),
        (condition("ground.tilt", "at_most", 0.5), 0.500001, (False, "28.6 deg")),
        (condition("battery.voltage", "at_least", 7.0), 7.0, (True, "7 V")),
        (condition("battery.voltage", "at_least", 7.0), 6.999, (False, "6.999 V")),
        (condition("fin[1].measured", "equals", 0.1, within=0.02), 0.119, (True, "6.818 deg")),
        (condition("fin[1].measured", "equals", 0.1, within=0.02), 0.121, (False, "6.933 deg")),
    ],
)
def test_comparison_and_its_words(one: Condition, value: float, expected: tuple[bool, str]) -> None:
    assert met(one, value) == expected


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
@pytest.mark.parametrize("comparison", ["equals", "at_most", "at_least"])
def test_value_that_is_not_finite_never_fulfills(value: float, comparison: str) -> None:
    assert met(condition("ground.tilt", comparison, 0.5, within=1e9), value)[0] is False


@pytest.mark.parametrize(
    ("age_s", "good"),
    [(0.0, True), (FRESH_S, True), (FRESH_S + 0.01, False), (60.0, False), (-0.5, False), (float("nan"), False)],
)
def test_only_a_fresh_value_counts(age_s: float, good: bool) -> None:
    is_met, text = met(condition("board.inhibited", "equals", 0), 0.0, age_s)
    assert is_met is good
    assert ("s old" in text) is not good


@pytest.mark.parametrize(
    "one",
    [
        condition("vehicle_phase", "equals", "no such phase"),
        condition("vehicle_phase", "one_of", ["pad", "no such phase"]),
        condition("ground.tilt", "at_most", "steep"),
        condition("ground.tilt", "at_most", [1, 2]),
        condition("ground.tilt", "at_most", float("nan")),
        condition("ground.tilt", "equals", "{angle}"),
        condition("ground.tilt", "equals", [0.0], per="n"),
    ],
)
def test_what_cannot_be_compared_is_not_met_and_does_not_raise(one: Condition) -> None:
    assert met(one, 0.0, args={"n": 5.0})[0] is False


def test_list_operand_is_never_read_from_its_end() -> None:
    assert met(condition("ground.tilt", "equals", [1.0, 0.0], per="n"), 0.0, args={"n": 1})[0] is True
    assert met(condition("ground.tilt", "equals", [1.0, 0.0], per="n"), 0.0, args={"n": -1})[0] is False


def test_missing_role_is_said() -> None:
    check = check_conditions(DICTIONARY, command((condition(),)).interlocks, {}, Table(), 1.0)[0]
    assert check.as_dict() == {"name": "one", "title": "One", "met": False, "value_text": "not reported"}


def test_every_interlock_of_every_command_is_looked_at_in_order() -> None:
    for described in DICTIONARY.commands.values():
        args = {arg.name: arg.low for arg in described.args}
        names = [check.name for check in check_conditions(DICTIONARY, described.interlocks, args, Table(), 1.0)]
        assert names == [one.name for one in described.interlocks]


def shown(effects: tuple, table: Table, since_s: float = 10.0, counter: int = 0, **args: float) -> bool:
    return effect_shown(DICTIONARY, command(effects=effects), args, counter, table, 20.0, since_s)


def test_effect_must_arrive_after_the_moment_it_is_to_prove() -> None:
    one = (condition("board.inhibited", "equals", 1),)
    assert shown(one, Table(board_inhibited=(1.0, 10.01)))
    assert not shown(one, Table(board_inhibited=(1.0, 10.0)))
    assert not shown(one, Table(board_inhibited=(1.0, 9.0)))
    assert not shown(one, Table(board_inhibited=(0.0, 11.0)))
    assert not shown(one, Table())


def test_all_channels_of_a_pattern_and_all_effects_must_show() -> None:
    safe = DICTIONARY.commands["safe_all"].effects
    good = {f"channel_{n}_armed": (0.0, 11.0) for n in (1, 2, 3, 4)} | {"board_inhibited": (1.0, 11.0)}
    assert shown(safe, Table(**good))
    for name in good:
        assert not shown(safe, Table(**{**good, name: (1.0 - good[name][0], 11.0)})), name
        assert not shown(safe, Table(**{**good, name: (good[name][0], 9.0)})), name
        assert not shown(safe, Table(**{n: v for n, v in good.items() if n != name})), name


def test_no_effects_and_roles_the_dictionary_lacks_prove_nothing() -> None:
    assert not shown((), Table())
    assert not shown((condition("no.such.role", "equals", 1),), Table(no_such_role=(1.0, 11.0)))


def test_counter_and_arguments_are_filled_in() -> None:
    ping = DICTIONARY.commands["ping"].effects
    assert shown(ping, Table(uplink_last_counter=(7.0, 11.0)), counter=7)
    assert not shown(ping, Table(uplink_last_counter=(6.0, 11.0)), counter=7)
    power = DICTIONARY.commands["camera_power"].effects
    assert shown(power, Table(camera_2_powered=(1.0, 11.0)), camera=2.0, on=1)
    assert not shown(power, Table(camera_2_powered=(1.0, 11.0)), camera=2, on=0)


@pytest.mark.parametrize(
    ("value", "comparison", "operand", "good"),
    [
        (94000.0, "at_most", 941.0, True),
        (94200.0, "at_most", 941.0, False),
        (94000.0, "at_least", 941.0, False),
        (94150.0, "equals", 941.5, True),
    ],
)
def test_a_converted_channel_is_compared_in_the_unit_its_file_declares(
    value: float, comparison: str, operand: float, good: bool
) -> None:
    """Or an interlock of an older dictionary, at most 941 hPa, would hold or fail for ever once values are in Pa."""
    field = '{ name = "p", type = "f32", unit = "hPa", role = "pressure" }'
    text = f'[dictionary]\nformat = 1\nname = "a"\nversion = "1"\nvehicle = "V"\n[packet.a]\napid = 1\nfields = [ {field} ]'
    one = Condition(name="one", title="One", role="pressure", comparison=comparison, operand=operand, within=1e-9)
    check = check_conditions(parse_dictionary(text), (one,), {}, Table(pressure=(value, 100.0)), 100.0)[0]
    assert check.met is good and check.value_text == f"{value / 100.0:.4g} hPa"
