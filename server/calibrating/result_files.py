"""A calibration as the sheet's fragment (TOML) and as a C header, both of a whole folder's calibrations so far.

`calibration.toml` holds one table for each, which a new one of the same name replaces; `calibration.h` is written from
it anew. Both carry date, unit serial, values and sigmas; the vehicle's sheet takes the fragment as it is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date

from protocol.arrays import Floats
from server.calibrating.guide import KINDS, Options
from server.flight.calibration.estimate import Calibration, UncalibratedFault

SERIAL = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}\Z")
FORMULAS = {
    "accelerometer": "calibrated = matrix (reading - bias), m/s2",
    "gyro": "calibrated = reading - bias, rad/s",
    "turn": "calibrated = (reading - bias) / scale, each axis by itself",
    "allan": "deviation^2 = 3 quantization^2 / t^2 + walk^2 / t + 0.441 bias^2 + rate_walk^2 t / 3",
    "alignment": "reading of b = matrix (reading of a)",
    "magnetometer": "field of length 1 = matrix (reading - bias)",
    "barometer": "height = (height by pressure) / scale",
}
HEAD = (
    "# Calibrations of this vehicle's units, by `blockhouse calibrate`. The vehicle's sheet takes these tables as they are."
)

Table = Mapping[str, object]


def check_serial(serial: str) -> str:
    """Return a serial that fits a sheet and a header; raises UncalibratedFault."""
    if not SERIAL.match(serial):
        raise UncalibratedFault(f"the serial {serial[:40]!r} must be 1 to 40 letters, digits, dots, dashes or underscores")
    return serial


def table_of(options: Options, found: Calibration, serial: str, day: date) -> dict[str, object]:
    """Return the table of a calibration as the sheet keeps it."""
    table: dict[str, object] = {"date": day, "unit_serial": check_serial(serial), "formula": FORMULAS[options.what]}
    for one in found.estimates:
        table[one.name] = _plain(one.values)
        table[f"{one.name}_sigma"] = _plain(one.sigma)
        if one.unit:
            table[f"{one.name}_unit"] = one.unit
    if found.said:
        table["notes"] = list(found.said)
    return table


def _plain(values: Floats) -> object:
    told = values.tolist()
    return told[0] if values.shape == (1,) else told


def toml_text(tables: Mapping[str, Table]) -> str:
    """Return the tables as TOML."""
    lines = [HEAD]
    for name in sorted(tables):
        lines += ["", f"[calibration.{name}]"]
        lines += [f"{key} = {_toml_value(value)}" for key, value in tables[name].items()]
    return "\n".join(lines) + "\n"


def _toml_value(value: object) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(_toml_value(one) for one in value) + "]"
    if isinstance(value, float):
        return f"{value:.9g}" if any(mark in f"{value:.9g}" for mark in ".en") else f"{value:.9g}.0"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return str(value)


def header_text(tables: Mapping[str, Table]) -> str:
    """Return the tables as a C header of static const arrays: values, sigmas, date and unit serial."""
    lines = ["/* Calibrations by `blockhouse calibrate`. Look at date and unit serial before it is compiled into a vehicle:",
             "   a calibration of another unit is worse than none. Generated; a new calibration writes it anew. */",
             "#ifndef BLOCKHOUSE_CALIBRATION_H", "#define BLOCKHOUSE_CALIBRATION_H"]  # fmt: skip
    for name in sorted(tables):
        table = tables[name]
        prefix = f"calibration_{re.sub(r'[^a-z0-9_]', '_', name.lower())}"
        day, serial = str(table["date"]), check_serial(str(table["unit_serial"]))
        title = KINDS[kind].title if (kind := name.rpartition("_")[0] or name) in KINDS else name
        lines += ["", f"/* {title}: unit {serial}, {day}. {_comment(str(table.get('formula', '')))} */"]
        lines += [f'static const char {prefix}_date[] = "{day}";', f'static const char {prefix}_unit_serial[] = "{serial}";']
        for key, value in table.items():
            if isinstance(value, float) or (isinstance(value, list) and key != "notes"):
                unit = _comment(str(table.get(f"{key.removesuffix('_sigma')}_unit", "")))
                said = f" /* {unit} */" if unit else ""
                lines.append(f"static const float {prefix}_{key}{_shape(value)} = {_c_value(value)};{said}")
    return "\n".join([*lines, "", "#endif", ""])


def _comment(text: str) -> str:
    return text.replace("*/", "* /")


def _shape(value: object) -> str:
    return f"[{len(value)}]{_shape(value[0])}" if isinstance(value, list) else ""


def _c_value(value: object) -> str:
    if isinstance(value, list):
        return "{" + ", ".join(_c_value(one) for one in value) + "}"
    text = f"{value:.9g}"
    return f"{text}f" if any(mark in text for mark in ".e") else f"{text}.0f"
