"""The pad sheet as it stands: every comparison, missing and old and non-finite data, ticks, and when they go."""

from __future__ import annotations

from math import inf, nan

import pytest

from server.pad.sheet import (
    ADVICE,
    GOOD_AFTER_S,
    SHEET_TRANSITIONS,
    TOLD_AFTER_S,
    PadSheet,
    SheetEvent,
    SheetState,
    Standing,
    line_of,
    look_at,
    summary_of,
)
from tests.server.pad.pad_world import BATTERY, DICTIONARY, KEY_OUT, WIND, Values, plan_of, watched

AT = "2026-06-15T15:00:00Z"


def item(role: str, comparison: str) -> str:
    return f'name = "one"\ntitle = "One"\nrole = "{role}"\n{comparison}\nwhy = "w"'


def seen(role: str, comparison: str, *values: float, age_s: float = 0.0) -> tuple[Standing, str]:
    plan, readings = plan_of(item(role, comparison)), Values()
    roles = [condition.role for condition in plan.items[0].conditions]
    for one, value in zip(roles, values, strict=False):
        readings.set(one, value, 100.0 - age_s)
    return look_at(plan.items[0], DICTIONARY, readings, 100.0)


def fresh(*items: str) -> PadSheet:
    sheet = PadSheet(plan_of(*(items or (BATTERY, KEY_OUT, WIND))), DICTIONARY)
    sheet.begin(0.0)
    sheet.take_changes()
    return sheet


def texts(sheet: PadSheet) -> list[str]:
    return [change.text for change in sheet.take_changes() if change.text]


# ---------------------------------------------------------------- one look


@pytest.mark.parametrize(
    ("role", "comparison", "values", "expected"),
    [
        ("battery.voltage", "at_least = 7.4", (7.4,), (Standing.MET, "7.4 V")),
        ("battery.voltage", "at_least = 7.4", (7.399,), (Standing.NOT_MET, "7.399 V")),
        ("ground.tilt", "at_most = 0.5", (0.5,), (Standing.MET, "28.6 deg")),
        ("ground.tilt", "at_most = 0.5", (0.501,), (Standing.NOT_MET, "28.7 deg")),
        ("ground.height", "at_most = 5", (1.234,), (Standing.MET, "1.23 m")),
        ("ground.azimuth", "at_most = 1", (1.5,), (Standing.NOT_MET, "85.94 deg")),
        ("vehicle_phase", 'equals = "pad"', (2,), (Standing.MET, "pad")),
        ("vehicle_phase", 'equals = "pad"', (3,), (Standing.NOT_MET, "boost")),
        ("vehicle_phase", 'one_of = ["pad", "ground test"]', (1,), (Standing.MET, "ground test")),
        ("vehicle_phase", 'one_of = ["pad", "ground test"]', (0,), (Standing.NOT_MET, "startup")),
        ("fin[1].measured", "equals = 0\nwithin = 0.02", (0.019,), (Standing.MET, "1.089 deg")),
        ("fin[1].measured", "equals = 0\nwithin = 0.02", (0.021,), (Standing.NOT_MET, "1.203 deg")),
        ("board.inhibited", "equals = 1", (1,), (Standing.MET, "yes")),
        ("board.inhibited", "equals = 1", (0,), (Standing.NOT_MET, "no")),
        ("recovery[*].continuity", "equals = 1", (1, 1), (Standing.MET, "2 of 2")),
        ("recovery[*].continuity", "equals = 1", (1, 0), (Standing.NOT_MET, "1 of 2")),
        ("camera[*].storage_left", "at_least = 2e9", (9e9, 1e9, 3e9), (Standing.NOT_MET, "1 GB")),
        ("camera[*].storage_left", "at_least = 2e9", (9e9, 4e9, 3e9), (Standing.MET, "3 GB")),
        ("camera[*].current", "at_most = 0.5", (0.1, 0.4, 0.2), (Standing.MET, "0.4 A")),
        ("camera[*].current", "at_most = 0.3", (0.1, 0.4, 0.6), (Standing.NOT_MET, "0.6 A")),
    ],
)
def test_every_comparison_with_the_measured_value(role: str, comparison: str, values: tuple, expected: tuple) -> None:
    assert seen(role, comparison, *values) == expected


@pytest.mark.parametrize("value", [nan, inf, -inf])
@pytest.mark.parametrize("comparison", ["at_least = 7.4", "at_most = 7.4", "equals = 7.4"])
def test_what_is_no_number_is_unknown(comparison: str, value: float) -> None:
    assert seen("battery.voltage", comparison, value)[0] is Standing.UNKNOWN


def test_missing_and_old_data_are_unknown_and_say_so() -> None:
    assert seen("battery.voltage", "at_least = 7.4") == (Standing.UNKNOWN, "not reported")
    assert seen("battery.voltage", "at_least = 7.4", 8.0, age_s=5.0)[0] is Standing.MET
    assert seen("battery.voltage", "at_least = 7.4", 8.0, age_s=5.1) == (Standing.UNKNOWN, "8 V, 5.1 s old")
    assert seen("battery.voltage", "at_least = 7.4\nage_s = 20", 8.0, age_s=19.9)[0] is Standing.MET
    assert seen("battery.voltage", "at_least = 7.4", 8.0, age_s=-0.1)[0] is Standing.UNKNOWN, "a time that lies ahead"


def test_of_a_family_the_worst_counts_not_met_before_unknown_before_met() -> None:
    assert seen("recovery[*].continuity", "equals = 1", 1) == (Standing.UNKNOWN, "not reported")
    assert seen("recovery[*].continuity", "equals = 1", 0)[0] is Standing.NOT_MET
    assert seen("camera[*].storage_left", "at_least = 2e9", 9e9, nan, 1e9) == (Standing.NOT_MET, "1 GB")
    assert seen("camera[*].storage_left", "at_least = 2e9", 9e9, nan, 3e9)[0] is Standing.UNKNOWN


# ---------------------------------------------------------------- over time


def test_good_news_has_to_last_bad_news_counts_at_once() -> None:
    sheet, values = fresh(BATTERY), Values()
    line = lambda: sheet.lines["battery"]  # noqa: E731
    watched(sheet, values, "battery.voltage", 8.0, 0.0, GOOD_AFTER_S - 0.25)
    assert line().standing is Standing.UNKNOWN
    watched(sheet, values, "battery.voltage", 8.0, GOOD_AFTER_S, GOOD_AFTER_S)
    assert line().standing is Standing.MET and not line().lost
    watched(sheet, values, "battery.voltage", 7.0, 10.0, 10.0)
    assert (line().standing, line().lost, line().since_s, line().value) == (Standing.NOT_MET, True, 10.0, "7 V")
    watched(sheet, values, "battery.voltage", 8.0, 10.25, 11.0)
    watched(sheet, values, "battery.voltage", 7.0, 11.25, 11.25)
    watched(sheet, values, "battery.voltage", 8.0, 11.5, 13.25)
    assert line().standing is Standing.NOT_MET, "at its bound it does not flicker"
    watched(sheet, values, "battery.voltage", 8.0, 13.5, 13.5)
    assert line().standing is Standing.MET and not line().lost


def test_an_item_that_goes_false_says_since_when_and_is_an_event_once_it_stays_so() -> None:
    sheet, values = fresh(BATTERY), Values()
    watched(sheet, values, "battery.voltage", 8.0, 0.0, 3.0)
    watched(sheet, values, "battery.voltage", 7.0, 10.0, 10.0 + TOLD_AFTER_S - 0.25)
    assert texts(sheet) == []
    watched(sheet, values, "battery.voltage", 7.0, 10.0 + TOLD_AFTER_S, 30.0)
    assert texts(sheet) == ["Pad sheet: Battery: 7 V, no longer at least 7.4 V"], "once"
    assert sheet.lines["battery"].since_s == 10.0
    sheet.look(values, 40.0)  # nothing heard any more: still lost since then
    assert (sheet.lines["battery"].standing, sheet.lines["battery"].since_s) == (Standing.UNKNOWN, 10.0)


def test_only_a_change_is_kept_not_every_value() -> None:
    sheet, values = fresh(BATTERY), Values()
    watched(sheet, values, "battery.voltage", 8.0, 0.0, 5.0)
    assert len(sheet.take_changes()) == 1
    watched(sheet, values, "battery.voltage", 7.9, 5.25, 60.0)
    assert sheet.take_changes() == [] and sheet.lines["battery"].value == "7.9 V"
    sheet.keep_values()
    assert [change.body["value"] for change in sheet.take_changes()] == ["7.9 V"]


def test_a_wind_measured_at_the_pad_is_kept_although_it_stands_as_before() -> None:
    """No telemetry tells it: a page that got only new standings would go on showing the site sheet's wind."""
    sheet, values = fresh(item("site.wind", "at_most = 8.94")), Values()
    watched(sheet, values, "site.wind", 1.3, 0.0, 5.0)
    sheet.take_changes()
    watched(sheet, values, "site.wind", 2.5, 5.25, 20.0)
    assert [change.body["value"] for change in sheet.take_changes()] == ["2.5 m/s"]


# ---------------------------------------------------------------- a person


def test_a_tick_says_who_and_when_and_can_be_taken_back() -> None:
    sheet = fresh()
    assert sheet.tick("key", 1, "Ada 1", AT, 5.0) is None
    change = sheet.take_changes()[0]
    assert (change.key, change.text) == ("item key", "Pad sheet: Ada 1 ticked 'Arming key out'")
    assert change.body["standing"] == "met" and (change.body["by"], change.body["at"]) == ("Ada 1", AT)
    assert sheet.untick("key", 1, "Ben 1", AT, 6.0) is None
    assert texts(sheet) == ["Pad sheet: Ben 1 took the tick of 'Arming key out' back"]
    assert sheet.lines["key"].standing is Standing.OPEN and sheet.lines["key"].cleared == "taken back by Ben 1"
    assert sheet.untick("key", 1, "Ben 1", AT, 7.0) == "this item is not ticked"


@pytest.mark.parametrize(
    ("number", "standing"),
    [(0, Standing.MET), (8.94, Standing.MET), (8.95, Standing.NOT_MET), (-0.1, Standing.NOT_MET)],
)
def test_a_number_given_with_a_tick_is_held_against_its_bounds(number: float, standing: Standing) -> None:
    sheet = fresh()
    assert sheet.tick("wind", 1, "Ada 1", AT, 5.0, number) is None
    line = sheet.lines["wind"]
    assert (line.standing, line.number, line.value) == (standing, number, f"{number:g} m/s")


@pytest.mark.parametrize("number", [None, "3", True, nan, inf, -inf, 10**400, [3], 2e9])
def test_a_tick_that_needs_a_number_takes_nothing_else(number: object) -> None:
    sheet = fresh()
    assert sheet.tick("wind", 1, "Ada 1", AT, 5.0, number) == "'Wind measured' needs a number in m/s"
    assert sheet.lines["wind"].standing is Standing.OPEN and sheet.take_changes() == []


@pytest.mark.parametrize("name", ["battery", "nothing", ""])
def test_only_manual_items_can_be_ticked(name: str) -> None:
    sheet = fresh()
    assert sheet.tick(name, 1, "Ada 1", AT, 5.0) == "there is no such item to tick on the pad sheet"
    assert sheet.untick(name, 1, "Ada 1", AT, 5.0) == "there is no such item to tick on the pad sheet"


# ---------------------------------------------------------------- what happens to the vehicle


def test_a_lift_off_closes_the_sheet_as_it_stood_just_before() -> None:
    sheet, values = fresh(), Values()
    sheet.tick("key", 1, "Ada 1", AT, 1.0)
    watched(sheet, values, "battery.voltage", 8.0, 0.0, 20.0)
    watched(sheet, values, "battery.voltage", 6.0, 20.25, 21.0)  # the lift-off was at 20.1 and is noticed at 21
    sheet.take_changes()
    sheet.happen(SheetEvent.LIFT_OFF, 21.0, as_of_s=20.1)
    kept = {change.key: change for change in sheet.take_changes()}
    assert (kept["item battery"].body["standing"], kept["item battery"].body["value"]) == ("met", "8 V")
    assert kept["item key"].body["by"] == "Ada 1"
    assert kept["sheet"].body["state"] == "closed" and kept["sheet"].text.endswith("closed at lift-off: 1 open of 3")
    watched(sheet, values, "battery.voltage", 5.0, 22.0, 40.0)
    assert sheet.take_changes() == [], "it no longer follows the vehicle"
    refused = "the vehicle has lifted off: the pad sheet stays as it was"
    assert sheet.tick("wind", 1, "Ada 1", AT, 22.0, 3) == refused
    assert sheet.untick("key", 1, "Ada 1", AT, 22.0) == refused
    assert sheet.begin_afresh(1, "Ada 1", 22.0) == refused


@pytest.mark.parametrize("flown", [False, True])
@pytest.mark.parametrize("event", [SheetEvent.LANDING, SheetEvent.RESTART])
def test_no_second_flight_inherits_a_tick(event: SheetEvent, flown: bool) -> None:
    sheet, values = fresh(), Values()
    watched(sheet, values, "battery.voltage", 8.0, 0.0, 3.0)
    sheet.tick("key", 1, "Ada 1", AT, 3.0)
    sheet.tick("wind", 1, "Ada 1", AT, 3.0, 2.0)
    if flown:
        sheet.happen(SheetEvent.LIFT_OFF, 4.0)
    sheet.take_changes()
    sheet.happen(event, 50.0)
    assert texts(sheet) == [f"Pad sheet cleared of 2 ticks: {event.value}"]
    assert (sheet.state, sheet.round) == (SheetState.OPEN, 2)
    assert [line.standing for line in sheet.lines.values()] == [Standing.UNKNOWN, Standing.OPEN, Standing.OPEN]
    assert sheet.lines["key"].cleared == f"was ticked by Ada 1; cleared: {event.value}"
    assert sheet.tick("key", 1, "Ada 1", AT, 51.0) == "the pad sheet was cleared meanwhile; look at it again"
    assert sheet.tick("key", 2, "Ada 1", AT, 51.0) is None


def test_a_person_can_begin_afresh_and_an_event_without_ticks_is_no_caution() -> None:
    sheet = fresh()
    sheet.tick("key", 1, "Ada 1", AT, 1.0)
    assert sheet.begin_afresh(1, "Ben 1", 2.0) is None
    assert texts(sheet)[-1] == "Pad sheet cleared of 1 tick: Ben 1 wished it"
    sheet.happen(SheetEvent.RESTART, 3.0)
    assert [(c.severity, c.text) for c in sheet.take_changes() if c.text] == [
        ("info", "Pad sheet begun anew: the vehicle restarted")
    ]


def test_the_table_of_the_sheet_is_all_that_can_happen() -> None:
    assert set(SHEET_TRANSITIONS) == set(SheetState)
    for state, row in SHEET_TRANSITIONS.items():
        for event in SheetEvent:
            sheet = fresh()
            sheet.state = state
            sheet.happen(event, 1.0)
            assert sheet.state is row.get(event, state)
            assert bool(sheet.take_changes()) is (event in row)


# ---------------------------------------------------------------- after a crash of the station


def states_of(sheet: PadSheet) -> dict[str, dict]:
    sheet.begin(9.0)
    return {change.key: dict(change.body) for change in sheet.take_changes()}


def test_a_station_that_crashed_goes_on_with_the_ticks_it_had() -> None:
    before = fresh()
    before.happen(SheetEvent.RESTART, 1.0)
    before.tick("key", 2, "Ada 1", AT, 2.0)
    after = PadSheet(plan_of(BATTERY, KEY_OUT, WIND), DICTIONARY)
    after.take_up(states_of(before), True, 10.0)
    assert after.lines["key"] == before.lines["key"] and after.round == 2
    assert after.lines["battery"].standing is Standing.UNKNOWN, "what is measured has to be measured anew"


def test_ticks_are_not_taken_over_to_another_text() -> None:
    before = fresh()
    before.tick("key", 1, "Ada 1", AT, 2.0)
    after = PadSheet(plan_of(BATTERY, KEY_OUT.replace("out", "in"), WIND), DICTIONARY)
    after.take_up(states_of(before), False, 10.0)
    assert after.lines["key"].standing is Standing.OPEN
    assert texts(after) == ["Pad sheet begun anew: the sheet's text is another one"]
    assert after.tick("key", 1, "Ada 1", AT, 11.0) == "the pad sheet was cleared meanwhile; look at it again"


def test_a_sheet_closed_before_the_crash_stays_closed() -> None:
    before, values = fresh(), Values()
    watched(before, values, "battery.voltage", 8.0, 0.0, 3.0)
    before.happen(SheetEvent.LIFT_OFF, 3.0)
    after = PadSheet(plan_of(BATTERY, KEY_OUT, WIND), DICTIONARY)
    after.take_up(states_of(before), True, 10.0)
    assert after.state is SheetState.CLOSED and after.lines["battery"].standing is Standing.MET


@pytest.mark.parametrize(
    "body", [{}, {"standing": "go"}, {"standing": None}, {"standing": "met", "since_rx": "soon"}, {"standing": ["met"]}]
)
def test_what_is_no_line_in_a_recording_is_none(body: dict) -> None:
    assert line_of(body) is None


def test_a_line_comes_back_as_it_was_kept() -> None:
    sheet = fresh()
    sheet.tick("wind", 1, "Ada 1", AT, 2.0, 9.5)
    assert line_of(sheet.lines["wind"].body()) == sheet.lines["wind"]


# ---------------------------------------------------------------- words


def test_the_whole_sheet_in_one_line_is_advice_and_no_permission() -> None:
    met, bad, unknown, still_open = Standing.MET, Standing.NOT_MET, Standing.UNKNOWN, Standing.OPEN
    assert summary_of([met, met]) == "all 2 items met"
    assert summary_of([met, bad, unknown, still_open, still_open]) == "1 not met, 1 unknown, 2 open of 5"
    assert summary_of([bad]) == "1 not met of 1"
    assert "range safety officer decides" in ADVICE and "advises" in ADVICE
