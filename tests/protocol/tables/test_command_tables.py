"""The tables of commands and conditions: linkage limits and conditional effects (the rest: test_dictionary)."""

from __future__ import annotations

import pytest

from protocol.dictionary_file import load_dictionary, parse_dictionary
from protocol.errors import DictionaryError, ValueRefused

TEXT = load_dictionary().text


def changed(old: str, new: str) -> str:
    assert TEXT.count(old) == 1, old
    return TEXT.replace(old, new)


def test_a_fin_angle_that_turns_the_servo_too_far_is_refused_before_anything_is_sent() -> None:
    dictionary = parse_dictionary(changed("driven_max = 0.4363", "driven_max = 0.3"))
    move = dictionary.commands["fin_move"]
    assert move.pack_args({"fin": 1, "angle": 0.1875}), "1.6 x 0.1875 = 0.3 is the limit itself"
    with pytest.raises(ValueRefused, match=r"the driving part would turn 0\.32, it may turn 0\.3 rad"):
        move.pack_args({"fin": 1, "angle": -0.2})


@pytest.mark.parametrize("bad", ["ratio = 0.0, driven_max = 0.4", "ratio = 1.6, driven_max = 0.0"])
def test_a_linkage_that_cannot_be_is_refused(bad: str) -> None:
    with pytest.raises(DictionaryError, match="ratio must not be zero and driven_max must be above zero"):
        parse_dictionary(changed("ratio = 1.6, driven_max = 0.4363", bad))


def test_an_effect_can_depend_on_an_interlock_that_exists() -> None:
    text = load_dictionary().text
    some = '{ role = "board.inhibited", equals = 1 },\n]'
    assert text.count(some) == 1
    only = text.replace(some, some.replace("equals = 1", 'equals = 1, only_if = "on_ground"'))
    effects = parse_dictionary(only).commands["safe_all"].effects
    assert [effect.only_if.name if effect.only_if else None for effect in effects] == [None, "on_ground"]
    with pytest.raises(DictionaryError, match=r"no \[interlock.on_mars\] in the dictionary"):
        parse_dictionary(only.replace('only_if = "on_ground"', 'only_if = "on_mars"'))
