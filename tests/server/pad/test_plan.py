"""The pad sheet's file: what it may say, and that every mistake names file, table and key."""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.errors import DictionaryError
from server.pad.plan import FILE_AT_MOST_BYTES, ITEMS_AT_MOST, load_pad_plan, parse_pad_plan
from server.pad.sheet import PadSheet, Standing, look_at
from tests.server.pad.pad_world import (
    BATTERY,
    DICTIONARY,
    HEAD,
    KEY_OUT,
    REHEARSED,
    WIND,
    Values,
    plan_of,
    sheet_toml,
    told,
)

MPH_M_S = 0.44704  # exact: the international mile of 1609.344 m (NIST SP 811, appendix B) over 3600 s


def test_the_sheet_that_comes_along_is_invented_and_keeps_to_the_safety_codes_numbers() -> None:
    plan = load_pad_plan(None, DICTIONARY)
    assert "invented" in plan.note.lower()
    items = {item.name: item for item in plan.items}
    # Model rocket safety code: no launch over 20 miles per hour, launcher within 30 degrees of vertical (from memory).
    assert items["site-wind"].conditions[0].operand == pytest.approx(20 * MPH_M_S, abs=0.005)
    assert items["wind-measured"].number.at_most == pytest.approx(20 * MPH_M_S, abs=0.005)
    assert items["tilt"].bound == "at most 30 deg"
    assert sum(item.automatic for item in plan.items) == 13 and len(plan.items) == 19
    assert " go " not in f" {plan.text.lower()} ".replace("-go", ""), "it gives no permission"


def test_every_sheet_of_a_vehicle_that_can_be_rehearsed_asks_what_its_firmware_was_built_for() -> None:
    item = parse_pad_plan(sheet_toml(BATTERY), REHEARSED).items[-1]
    values = Values()
    assert item.automatic and item.bound == "must be flight"
    assert look_at(item, REHEARSED, values, 5.0) == (Standing.UNKNOWN, "not reported")
    values.set("identity.build", 1.0, 5.0)
    assert look_at(item, REHEARSED, values, 6.0) == (Standing.NOT_MET, "rehearsal")
    assert look_at(item, REHEARSED, values, 100.0)[0] is Standing.UNKNOWN
    sheet = PadSheet(parse_pad_plan(sheet_toml(BATTERY), REHEARSED), REHEARSED)
    assert sheet.tick(item.name, 1, "Ada 1", "", 6.0) == "there is no such item to tick on the pad sheet"
    values.set("identity.build", 0.0, 200.0)
    assert look_at(item, REHEARSED, values, 201.0) == (Standing.MET, "flight")
    with pytest.raises(DictionaryError, match="already taken"):
        parse_pad_plan(sheet_toml(BATTERY.replace('"battery"', f'"{item.name}"')), REHEARSED)


def test_items_keep_their_order_bounds_and_families() -> None:
    plan = plan_of(
        BATTERY,
        'name = "c"\ntitle = "C"\nrole = "recovery[*].continuity"\nequals = 1\nwhy = "w"',
        'name = "s"\ntitle = "S"\nrole = "camera[*].storage_left"\nat_least = 2e9\nage_s = 9\nwhy = "w"',
        'name = "p"\ntitle = "P"\nrole = "vehicle_phase"\none_of = ["pad", "ground test"]\nwhy = "w"',
        'name = "f"\ntitle = "F"\nrole = "fin[1].measured"\nequals = 0\nwithin = 0.0349066\nwhy = "w"',
        WIND,
        'name = "h"\ntitle = "H"\nrole = "ground.height"\nat_most = 5\nwhy = "w"',
        'name = "a"\ntitle = "A"\nrole = "ground.azimuth"\nat_most = 1.5708\nwhy = "w"',
    )
    assert [item.bound for item in plan.items] == [
        "at least 7.4 V",
        "all must be yes",
        "all at least 2 GB",
        "must be pad or ground test",
        "must be 0 deg within 2 deg",
        "at least 0 m/s, at most 8.94 m/s",
        "at most 5 m",
        "at most 90 deg",
    ]
    assert [len(item.conditions) for item in plan.items] == [1, 2, 3, 1, 1, 0, 1, 1]
    assert plan.items[1].flags and not plan.items[2].flags and plan.items[2].age_s == 9.0
    shape = plan.shape()
    assert shape["toml"] == plan.text and shape["groups"][0]["items"][0]["name"] == "battery"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("format = 2", "sheet.toml: format: this Blockhouse reads pad sheets of format 1"),
        ("format = 1\ntitle = 1", "sheet.toml: title: must be text, got 1"),
        ("format = ", "sheet.toml: file: is not valid TOML"),
        ('format = 1\ntitle = "T"', "sheet.toml: group: needs 1 to 60 items, has 0"),
        (sheet_toml(BATTERY) + "odd = 1", "sheet.toml: group[0].item[0].odd: unknown key 'odd'"),
        (sheet_toml(BATTERY, BATTERY), "item[1].name: the name 'battery' is already taken by another item"),
        (sheet_toml(BATTERY.replace('"battery"', '"Battery!"')), "item[0].name: 'Battery!' must be lower-case letters"),
        (
            sheet_toml(BATTERY.replace("battery.voltage", "battery.volts")),
            "role: the dictionary has no role 'battery.volts'",
        ),
        (sheet_toml(BATTERY.replace("at_least = 7.4", "")), "needs exactly one of equals, one_of, at_most, at_least"),
        (sheet_toml(BATTERY.replace("7.4", '"high"')), "at_least: 'high' is no value of 'battery.voltage'"),
        (sheet_toml(BATTERY.replace("7.4", "inf")), "at_least: inf is no value of 'battery.voltage'"),
        (sheet_toml(BATTERY.replace("7.4", "true")), "at_least: True is no value of 'battery.voltage'"),
        (sheet_toml(BATTERY.replace("at_least = 7.4", "one_of = []")), "one_of: must be a list with at least one value"),
        (sheet_toml(BATTERY + "\nage_s = 0"), "age_s: must be above 0 and at most 600 s"),
        (sheet_toml(BATTERY + "\nwithin = nan"), "within: must be a finite number"),
        (sheet_toml(BATTERY + '\ntick = "T"'), "item[0]: needs either role (looked at by the station) or tick"),
        (sheet_toml('name = "n"\nwhy = "w"'), "item[0]: needs either role (looked at by the station) or tick"),
        (sheet_toml(KEY_OUT.replace("Arming key out", " ")), "tick: must be one line of 1 to 200 printable letters"),
        (sheet_toml(KEY_OUT.replace("Arming", r"\u001b[2J")), "tick: must be one line of 1 to 200 printable letters"),
        (sheet_toml(KEY_OUT.replace("It is", "x" * 200)), "why: must be one line of 1 to 200 printable letters"),
        (sheet_toml(WIND.replace("at_least = 0", "at_least = 9")), "number.at_least: must not lie above at_most"),
        (sheet_toml(WIND.replace("8.94", '8.94, measures = "rain"')), "number.measures: can only be 'site.wind'"),
        (sheet_toml(WIND.replace('"m/s"', '"mph", measures = "site.wind"')), "number.unit: must be 'm/s' for site.wind"),
        (sheet_toml(WIND.replace("unit =", "units =")), "number: key 'unit' is missing"),
        (
            sheet_toml(*[KEY_OUT.replace('"key"', f'"k{i}"') for i in range(ITEMS_AT_MOST + 1)]),
            "needs 1 to 60 items, has 61",
        ),
        (sheet_toml(KEY_OUT) + "#" * FILE_AT_MOST_BYTES, "file: is larger than 64000 bytes"),
    ],
)
def test_a_mistake_names_file_table_and_key(text: str, said: str) -> None:
    with pytest.raises(DictionaryError) as error:
        parse_pad_plan(text, DICTIONARY, "sheet.toml")
    assert told(error.value).startswith("sheet.toml: ") and said in told(error.value)


def test_files_are_read_and_what_cannot_be_read_is_said(tmp_path: Path) -> None:
    good = tmp_path / "mine.toml"
    good.write_text(sheet_toml(KEY_OUT), "utf-8")
    assert load_pad_plan(good, DICTIONARY).items[0].title == "Arming key out"
    with pytest.raises(DictionaryError, match="cannot be read"):
        load_pad_plan(tmp_path / "none.toml", DICTIONARY)
    good.write_bytes(HEAD.encode() + b"\xff")
    with pytest.raises(DictionaryError, match="not valid TOML"):
        load_pad_plan(good, DICTIONARY)
