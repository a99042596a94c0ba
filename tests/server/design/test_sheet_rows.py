"""Sheets as rows: names instead of numbers, lists of points in one piece, and nothing endless."""

from __future__ import annotations

from server.design.sheet_files import load_sheets
from server.design.sheet_rows import sheet_rows


def test_tables_and_lists_become_rows_called_by_name() -> None:
    sheet = {"mass": 1.5, "built": {"fins": [{"name": "tail", "span": 2}], "points": [[0, 1], [2, 3]], "motor": {"kg": 0.1}}}
    assert sheet_rows(sheet) == {
        "mass": 1.5,
        "built, fins, tail: span": 2,
        "built: points": [[0, 1], [2, 3]],
        "built, motor: kg": 0.1,
    }


def test_a_piece_put_in_between_changes_only_its_own_rows() -> None:
    before = {"masses": [{"name": "a", "kg": 1}, {"name": "b", "kg": 2}]}
    after = {"masses": [{"name": "a", "kg": 1}, {"name": "new", "kg": 9}, {"name": "b", "kg": 2}]}
    assert set(sheet_rows(after).items()) - set(sheet_rows(before).items()) == {("masses, new: kg", 9)}


def test_strange_sheets() -> None:
    deep: dict[str, object] = {"x": 1}
    for _ in range(50):
        deep = {"x": deep}
    assert len(sheet_rows(deep)) == 1
    assert (
        sheet_rows(None) == {}
        and sheet_rows([1]) == {}
        and sheet_rows({}) == {}
        and sheet_rows({"a": {}, "b": []}) == {"a": {}, "b": []}
    )
    twice = {"m": [{"name": "a", "kg": 1}, {"name": "a", "kg": 2}, {"kg": 3}, {"name": "only"}]}
    assert sheet_rows(twice) == {"m, a: kg": 1, "m, a (2): kg": 2, "m, 3: kg": 3, "m: only": "only"}


def test_the_demonstration_sheet() -> None:
    rows = sheet_rows(load_sheets(None, True).vehicle)
    assert rows["configuration, fins, tail fins: span_m"] == 0.055 and len(rows["configuration, motor: thrust"]) == 10
