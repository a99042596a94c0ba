"""A pad sheet out of a journal, whatever the journal holds, and sheets as text."""

from __future__ import annotations

import pytest

from server.cli.pad import sheet_blocks
from server.cli.paper import plain_lines
from server.pad.record import TOPIC, RecordedSheet, blank_sheet, recorded_sheet
from server.pad.sheet import ADVICE, PadSheet, SheetEvent, Standing
from server.telemetry.journal import JournalEntry
from tests.server.pad.pad_world import BATTERY, DICTIONARY, HOSTILE, HOSTILE_KEY, KEY_OUT, WIND, Values, plan_of, watched

AT = "2026-06-15T15:00:00Z"


def entry(key: str, body: object, topic: str = TOPIC) -> JournalEntry:
    return JournalEntry(0.0, 0.0, topic, key, "info", "", body)


def journal(*, flown: bool = True, again: bool = True) -> list[JournalEntry]:
    """A sheet that was ticked, perhaps flown, perhaps cleared by the landing."""
    plan, values = plan_of(BATTERY, KEY_OUT, WIND, HOSTILE_KEY), Values()
    sheet = PadSheet(plan, DICTIONARY)
    sheet.begin(0.0)
    watched(sheet, values, "battery.voltage", 8.0, 0.0, 3.0)
    sheet.tick("key", 1, "Ada 1", AT, 3.0)
    sheet.tick("wind", 1, "Ada 1", AT, 3.0, 9.5)
    if flown:
        sheet.happen(SheetEvent.LIFT_OFF, 4.0)
    if again:
        sheet.happen(SheetEvent.LANDING, 60.0)
    return [entry("definition", plan.shape()), *(entry(change.key, change.body) for change in sheet.take_changes())]


def standings(entries: list[JournalEntry]) -> list[str]:
    sheet = recorded_sheet(entries)
    return [item.line.standing.value for _, items in sheet.groups for item in items]


def test_it_is_the_sheet_of_the_last_lift_off_else_of_the_end() -> None:
    assert standings(journal()) == ["met", "met", "not met", "open"]
    assert recorded_sheet(journal()).heading == "As it stood at lift-off: 1 not met, 1 open of 4."
    assert standings(journal(flown=False)) == ["unknown", "open", "open", "open"], "cleared on the ground"
    assert standings(journal(flown=False, again=False)) == ["met", "met", "not met", "open"]
    assert recorded_sheet(journal(flown=False)).when == "As it stood at the end of the recording"
    assert recorded_sheet([entry("a", {}, "mark")]) is None


@pytest.mark.parametrize(
    "definition",
    [
        {},
        {"groups": None},
        {"groups": [1, None, {"items": "none"}]},
        {"title": ["x"], "groups": [{"title": 3, "items": [{}, {"name": {}, "automatic": 1}, 7]}]},
    ],
)
def test_a_recording_may_hold_anything(definition: dict) -> None:
    sheet = recorded_sheet(
        [entry("definition", definition), entry("sheet", {"state": 7}), entry("item None", {"standing": 1})]
    )
    assert ADVICE in printed(sheet)


def printed(sheet: RecordedSheet) -> list[str]:
    """Return the lines that a pipe gets of a sheet."""
    return list(plain_lines(sheet_blocks(sheet)))


def test_the_text_says_who_ticked_what_and_leaves_room_to_sign() -> None:
    lines = [" ".join(line.split()) for line in printed(recorded_sheet(journal()))]
    assert "met Battery 8 V at least 7.4 V" in lines
    assert f"met Arming key out Ada 1, {AT}" in lines
    assert f"NOT MET Wind measured 9.5 m/s at least 0 m/s, at most 8.94 m/s Ada 1, {AT}" in lines
    assert f"open {HOSTILE}" in lines and ADVICE in lines
    assert [line.split(" _")[0] for line in lines[-3:]] == ["Flier", "Range safety officer", "Date"]


def test_a_blank_sheet_is_all_open_and_nothing_can_steer_a_terminal() -> None:
    sheet = blank_sheet(plan_of(BATTERY, KEY_OUT))
    assert [item.line.standing for _, items in sheet.groups for item in items] == [Standing.UNKNOWN, Standing.OPEN]
    odd = recorded_sheet([entry("definition", {"title": "a\x1b[2Jb\nc", "groups": []})])
    assert printed(odd)[0] == "a?[2Jb?c"
