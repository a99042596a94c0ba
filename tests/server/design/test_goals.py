"""A flight's goals as they are written: what is read, and every refusal in a sentence."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.design.goals import KINDS, Card, GoalFault, card_of
from server.design.sheet_files import load_sheets
from server.problems import Problem

ON_FOR = {"what": "Control for 2 s", "kind": "on_for", "role": "control.enabled", "at_least_s": 2}


def test_a_card_is_read() -> None:
    (goal,) = card_of({"goals": [ON_FOR], "on_trial": ["tail fins"]}).goals
    assert (goal.kind, goal.roles, goal.at_least_s) == ("on_for", ("control.enabled",), 2.0)
    assert card_of({}) == Card()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"kind": "formula"}, "the kind 'formula' is not known; there are on_for, seen, on_to_landing, figure"),
        ({"kind": ["on_for"]}, "is not known"),
        ({"when": "x"}, "'when' is not a key of the kind on_for"),
        ({"what": ""}, "what: must be one line"),
        ({"what": "two\nlines"}, "what: must be one line"),
        ({"role": 3}, "role: must be one line"),
        ({"at_least_s": 0}, "above 0"),
        ({"at_least_s": True}, "must be a number"),
        ({"at_least_s": float("nan")}, "must be a number"),
    ],
)
def test_what_is_no_goal_is_refused_in_a_sentence(change: dict, said: str) -> None:
    with pytest.raises(GoalFault, match=".") as refused:
        card_of({"goals": [ON_FOR | change]})
    assert said in str(refused.value) and str(refused.value).startswith("vehicle.goals, number 1")


def test_no_bounds_no_list_and_too_many_are_refused() -> None:
    for vehicle in (
        {"goals": {}},
        {"goals": [3]},
        {"goals": [ON_FOR] * 13},
        {"on_trial": "fins"},
        {"goals": [{"what": "w", "kind": "figure", "figure": "descent", "number": "rate_m_s"}]},
        {"goals": [{"what": "w", "kind": "seen", "roles": []}]},
    ):
        with pytest.raises(GoalFault):
            card_of(vehicle)


def test_a_sheet_with_an_unknown_kind_is_refused_as_it_is_loaded(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text('[[vehicle.goals]]\nwhat = "w"\nkind = "wish"\n', "utf-8")
    with pytest.raises(Problem, match="the kind 'wish' is not known"):
        load_sheets(file, False)
    assert len(card_of(load_sheets(None, True).vehicle).goals) == 4


def test_every_kind_is_described() -> None:
    from server.design import goals

    assert all(f'kind = "{kind}"' in str(goals.__doc__) for kind in KINDS)
