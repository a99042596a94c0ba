"""Entries of a sheet in words: `rail_length_m = 2.4` is "rail length" and "2.4 m". Units stand at the end of a key."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import degrees, isfinite

from server.design.sheet_rows import sheet_rows
from server.flight.units import DEGREE, number

# What a key may end in, longest first, with the unit as it is read.
UNITS: tuple[tuple[str, str], ...] = (
    ("_per_pa_rad", "per Pa and rad"), ("_kg_m2", "kg m\u00b2"), ("_kg_m3", "kg/m\u00b3"), ("_m_s2", "m/s\u00b2"),
    ("_m_s", "m/s"), ("_n_s", "N s"), ("_mah", "mAh"), ("_dbm", "dBm"), ("_db", "dB"), ("_deg", DEGREE), ("_rad", "rad"),
    ("_kg", "kg"), ("_mm", "mm"), ("_ma", "mA"), ("_hz", "Hz"), ("_pa", "Pa"), ("_ohm", "\u03a9"), ("_minutes", "min"),
    ("_k", "K"), ("_g", "g"), ("_v", "V"), ("_n", "N"), ("_s", "s"), ("_m", "m"),
)  # fmt: skip
LETTERS_TOLD = {"lat": "latitude", "lon": "longitude", "liftoff": "lift-off"}
LONGEST = 40


def key_in_words(key: str) -> str:
    """Return a sheet's key without its unit, in words; where a table stands before it, so it does here."""
    where, colon, last = key.rpartition(": ")
    base = last[: -len(ending)] if (ending := _ending(last)) else last
    words = " ".join(LETTERS_TOLD.get(word, word) for word in base.split("_"))
    return f"{where}: {words}" if colon else words


def value_in_words(key: str, value: object) -> str:
    """Return a sheet's value with the unit that its key ends in."""
    unit = dict(UNITS).get(_ending(key), "")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        if not isfinite(value):
            return "no number"
        if unit == "rad":
            return f"{number(degrees(value), 1)}{DEGREE}"
        text = f"{value:.6g}".replace("-", "\N{MINUS SIGN}")
        return text + unit if unit == DEGREE else f"{text} {unit}".rstrip()
    if isinstance(value, Sequence) and not isinstance(value, str):
        deeper = [isinstance(item, Sequence) and not isinstance(item, str) for item in value]
        shown = ("; " if any(deeper) else ", ").join(value_in_words("", item) for item in value[:LONGEST])
        return shown + (" ..." if len(value) > LONGEST else "")
    return "-" if value is None else str(value)


def sheet_in_words(sheet: Mapping[str, object]) -> list[tuple[str, str]]:
    """Return every entry of a sheet as what it is and its value, in the sheet's order; a piece's entries in one line."""
    rows: dict[str, str] = {}
    plain = {key_in_words(key) for key in sheet}
    for key, value in sheet_rows(sheet).items():
        where, colon, last = key_in_words(key).rpartition(": ")
        told = value_in_words(key, value)
        if not colon:
            rows[last] = told
            continue
        name = where.rpartition(", ")[2]
        name = f"{name}, as built" if name in plain else name
        rows[name] = f"{rows[name]}, {last} {told}" if name in rows else f"{last} {told}"
    return list(rows.items())


def _ending(key: str) -> str:
    return next((ending for ending, _ in UNITS if key.endswith(ending) and len(key) > len(ending)), "")
