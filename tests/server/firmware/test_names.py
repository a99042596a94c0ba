"""Names and texts that C and C++ accept."""

from __future__ import annotations

import pytest

from server.firmware.names import Constants, comment_text, constant_name, member_name, string_literal


@pytest.mark.parametrize(("name", "member"), [("pressure", "pressure"), ("double", "double_"), ("class", "class_")])
def test_a_word_of_the_language_gets_an_underscore(name: str, member: str) -> None:
    assert member_name(name) == member


def test_a_constant_is_capitals_digits_and_single_underscores() -> None:
    assert constant_name("reason", "not in this phase") == "BH_REASON_NOT_IN_THIS_PHASE"
    assert constant_name("x", "a -- b!") == "BH_X_A_B"
    assert constant_name("x", "---") == "BH_X_X"


def test_no_constant_is_given_twice() -> None:
    constants = Constants()
    given = [constants.take("a", "b c"), constants.take("a", "b-c"), constants.take("a_b", "c")]
    assert given == ["BH_A_B_C", "BH_A_B_C_2", "BH_A_B_C_3"]


def test_a_comment_cannot_be_ended_or_begun_from_inside() -> None:
    said = comment_text("one */ two /* three\nfour ??/")
    assert "*/" not in said and "/*" not in said and "\n" not in said and "??" not in said


def test_a_string_literal_is_plain_ascii() -> None:
    assert string_literal('a"b\\\u00e9?') == '"a\\042b\\134\\303\\251\\077"'
