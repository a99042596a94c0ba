"""Calibrations on the pad sheet: a red line for those of another unit or too old, asked whatever the sheet's file says."""

from __future__ import annotations

from server.design.sheet_numbers import NOTHING_TOLD
from server.pad.plan import CALIBRATIONS, with_calibrations
from server.pad.readings import PadReadings
from server.pad.sheet import PadSheet, Standing
from tests.server.pad.pad_world import BATTERY, DICTIONARY, Values, plan_of

PLAN = with_calibrations(plan_of(BATTERY), DICTIONARY)


def looked(faults: list[str] | None) -> tuple[Standing, str]:
    sheet, readings = PadSheet(PLAN, DICTIONARY), PadReadings(Values(), NOTHING_TOLD)
    readings.calibration_faults = faults
    for quarter in range(12):
        sheet.look(readings, quarter / 4)
    line = sheet.lines["calibrations"]
    return line.standing, line.value


def test_every_sheet_asks_for_them_once() -> None:
    assert [item.name for item in PLAN.items] == ["battery", "calibrations"]
    assert with_calibrations(PLAN, DICTIONARY) is PLAN
    assert PLAN.items[-1].bound == "of the unit that is fitted, not too old"
    own = plan_of(f'name = "own"\ntitle = "Calibrations"\nrole = "{CALIBRATIONS}"\nequals = 0\nwhy = "w"')
    assert with_calibrations(own, DICTIONARY) is own


def test_a_wrong_one_is_red_and_says_which() -> None:
    assert looked(["gyro_a is of unit SN-11, the vehicle says SN-12"]) == (
        Standing.NOT_MET,
        "gyro_a is of unit SN-11, the vehicle says SN-12",
    )
    assert looked([]) == (Standing.MET, "all of this unit")
    assert looked(None)[0] is Standing.UNKNOWN


def test_a_change_from_one_fault_to_another_is_kept() -> None:
    sheet, readings = PadSheet(PLAN, DICTIONARY), PadReadings(Values(), NOTHING_TOLD)
    for now_s, faults in ((0.0, ["one"]), (1.0, ["two"])):
        readings.calibration_faults = faults
        sheet.look(readings, now_s)
        assert [c.body["value"] for c in sheet.take_changes() if c.key == "item calibrations"][-1] == faults[0]
