"""The calibrations a vehicle's sheet lists, and whether each is of the unit that is fitted and not too old.

    [calibration]                    beside [vehicle]; `blockhouse calibrate` writes the tables below it
    unit_serial = "SN-12"            the flight computer's board; what the vehicle says itself goes before it
    days = 180                       how old a calibration may be; without it age is not asked for
    serials = { load_cell = "LC-7" } parts with a serial of their own, by the calibration's name

    [calibration.accelerometer_a]
    date = 2026-05-01
    unit_serial = "SN-12"
    bias = [0.08, -0.12, 0.05]       values and sigmas are for the firmware; nothing here reads them

A calibration of another unit is worse than none: it makes a good sensor wrong by exactly what it is sure of.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

AT_MOST = 40
TEXT_AT_MOST = 60
OWN = frozenset({"unit_serial", "days", "serials"})


class CalibrationFault(Exception):
    """The sheet's calibrations cannot be read; the text is one sentence without its end."""


@dataclass(frozen=True)
class KeptCalibration:
    """One calibration: its name, the day it was made, the serial of the unit it is of."""

    name: str
    day: date
    unit_serial: str


@dataclass(frozen=True)
class Calibrations:
    """All calibrations of a sheet, and what they are held against."""

    kept: tuple[KeptCalibration, ...] = ()
    unit_serial: str = ""
    days: float | None = None
    serials: Mapping[str, str] = field(default_factory=dict)

    def expected(self, name: str, told_serial: str) -> tuple[str, str]:
        """Return the serial a calibration must be of and who says so; both "" where nobody does."""
        if name in self.serials:
            return self.serials[name], "the sheet"
        return (told_serial, "the vehicle") if told_serial else (self.unit_serial, "the sheet" if self.unit_serial else "")

    def faults(self, told_serial: str, today: date) -> list[str] | None:
        """Return what is wrong, each in a few words; None when nobody says which unit is fitted.

        `told_serial` is what the vehicle says of itself, "" when it does not.
        """
        found, untold = [], False
        for one in self.kept:
            serial, who = self.expected(one.name, told_serial)
            untold |= not serial
            if serial and one.unit_serial != serial:
                found.append(f"{one.name} is of unit {one.unit_serial}, {who} says {serial}")
            age = (today - one.day).days
            if age < 0:
                found.append(f"{one.name} is dated {one.day}, which is to come")
            elif self.days is not None and age > self.days:
                found.append(f"{one.name} is {age} days old, the sheet allows {self.days:g}")
        return None if untold and not found else found


def calibrations_of(vehicle: Mapping[str, object]) -> Calibrations | None:
    """Return the calibrations of a vehicle's sheet (key "calibration"), None when it has none. Raises CalibrationFault."""
    table = vehicle.get("calibration")
    if table is None:
        return None
    if not isinstance(table, Mapping) or len(table) > AT_MOST:
        raise CalibrationFault(f"[calibration] must be a table of at most {AT_MOST}")
    days = table.get("days")
    if days is not None and (isinstance(days, bool) or not isinstance(days, int | float) or not 1 <= days <= 10_000):
        raise CalibrationFault("[calibration] days: must be 1 to 10000")
    serials = table.get("serials", {})
    if not isinstance(serials, Mapping):
        raise CalibrationFault("[calibration] serials: must be a table of texts")
    return Calibrations(
        tuple(_kept(name, one) for name, one in table.items() if name not in OWN),
        _text(table["unit_serial"], "unit_serial") if "unit_serial" in table else "",
        None if days is None else float(days),
        {str(name): _text(one, f"serials.{str(name)[:TEXT_AT_MOST]}") for name, one in serials.items()},
    )


def _kept(name: object, table: object) -> KeptCalibration:
    name = str(name)[:TEXT_AT_MOST]
    if not isinstance(table, Mapping):
        raise CalibrationFault(f"[calibration] {name}: is no key of this table, and no calibration")
    told = table.get("date")
    try:
        day = told if isinstance(told, date) else date.fromisoformat(str(told)[:10])
    except ValueError as error:
        raise CalibrationFault(f"[calibration.{name}] date: must be a day, such as 2026-05-01") from error
    return KeptCalibration(name, day, _text(table.get("unit_serial"), f"{name}.unit_serial"))


def _text(value: object, where: str) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > TEXT_AT_MOST or not value.isprintable():
        raise CalibrationFault(f"[calibration] {where}: must be one line of 1 to {TEXT_AT_MOST} printable letters")
    return value
