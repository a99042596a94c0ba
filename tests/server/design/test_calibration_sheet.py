"""The sheet's calibrations: read from a file and from a session's header, held against serial and date, refused by name."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest

from server.design.calibration_sheet import CalibrationFault, calibrations_of
from server.design.sheet_files import load_sheets
from server.problems import SettingsProblem

TABLE = {
    "unit_serial": "SN-12",
    "days": 180,
    "serials": {"load_cell": "LC-7"},
    "accelerometer_a": {"date": date(2026, 5, 1), "unit_serial": "SN-12", "bias": [0.1, 0.2, 0.3]},
    "load_cell": {"date": "2026-05-01", "unit_serial": "LC-7"},
}
JUNE = date(2026, 6, 1)


def faults(told: str, today: date = JUNE, **more: object) -> list[str] | None:
    calibrations = calibrations_of({"calibration": {**TABLE, **more}})
    assert calibrations is not None
    return calibrations.faults(told, today)


def test_what_is_of_this_unit_and_young_enough_has_no_fault() -> None:
    assert faults("") == faults("SN-12") == []
    assert calibrations_of({"name": "V"}) is None


def test_the_vehicles_word_goes_before_the_sheets_and_a_part_has_its_own() -> None:
    assert faults("SN-13") == ["accelerometer_a is of unit SN-12, the vehicle says SN-13"]
    assert faults("", unit_serial="SN-14") == ["accelerometer_a is of unit SN-12, the sheet says SN-14"]
    assert faults("SN-12", serials={"load_cell": "LC-8"}) == ["load_cell is of unit LC-7, the sheet says LC-8"]


def test_what_is_too_old_or_to_come_is_told_with_its_age() -> None:
    assert faults("", date(2026, 10, 28)) == []  # 180 days
    late = faults("", date(2026, 10, 29))
    assert late is not None and late[0] == "accelerometer_a is 181 days old, the sheet allows 180"
    early = faults("", date(2026, 4, 30))
    assert early is not None and "is dated 2026-05-01, which is to come" in early[0]
    without = {name: one for name, one in TABLE.items() if name != "days"}
    told = calibrations_of({"calibration": without})
    assert told is not None and told.faults("", date(2036, 1, 1)) == []


def test_where_nobody_says_which_unit_is_fitted_nothing_is_known() -> None:
    told = calibrations_of({"calibration": {"gyro_a": TABLE["accelerometer_a"]}})
    assert told is not None and told.faults("", JUNE) is None and told.faults("SN-12", JUNE) == []


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ([], "must be a table"),
        ({"days": True}, "days: must be 1 to 10000"),
        ({"serials": "x"}, "serials: must be a table of texts"),
        ({"serials": {"a": 3}}, "serials.a: must be one line"),
        ({"gyro_a": 3}, "gyro_a: is no key of this table"),
        ({"gyro_a": {"date": "soon", "unit_serial": "x"}}, "gyro_a] date: must be a day"),
        ({"gyro_a": {"date": "2026-05-01"}}, "gyro_a.unit_serial: must be one line"),
        ({f"c{i}": {"date": "2026-05-01", "unit_serial": "x"} for i in range(41)}, "at most 40"),
    ],
)
def test_what_is_no_calibration_is_refused_by_table_and_key(table: object, sentence: str) -> None:
    with pytest.raises(CalibrationFault, match=sentence):
        calibrations_of({"calibration": table})


def test_a_sheet_file_keeps_them_in_the_vehicles_table_as_a_session_can(tmp_path: Path) -> None:
    file = tmp_path / "sheet.toml"
    tables = '[calibration]\nunit_serial = "SN-12"\n[calibration.gyro_a]\ndate = 2026-05-01\nunit_serial = "SN-11"\n'
    file.write_text(f'[vehicle]\nname = "V"\n{tables}')
    vehicle = json.loads(json.dumps(load_sheets(file, False).vehicle))
    told = calibrations_of(vehicle)
    assert told is not None and told.faults("", JUNE) == ["gyro_a is of unit SN-11, the sheet says SN-12"]
    file.write_text('[vehicle]\nname = "V"\n[calibration]\ngyro_a = 3\n')
    with pytest.raises(SettingsProblem, match="gyro_a: is no key"):
        load_sheets(file, False)
