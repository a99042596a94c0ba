"""A sheet with tables inside as plain rows, so that it can be printed and two of them compared line by line.

A line of a list is called by its name where it has one ("configuration, masses, battery: mass_kg"), so that a piece put in
between does not make all others look changed. A list of points (a thrust curve) stays one value.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

DEEPEST = 6


def sheet_rows(sheet: object) -> dict[str, object]:
    """Return {where: value} of everything in a sheet, in its order; empty for what is no table."""
    return dict(_rows((), sheet, 0)) if isinstance(sheet, Mapping) and sheet else {}


def _rows(where: tuple[str, ...], value: object, depth: int) -> Iterator[tuple[str, object]]:
    if isinstance(value, Mapping) and value and depth < DEEPEST:
        for key, item in value.items():
            yield from _rows((*where, str(key)), item, depth + 1)
    elif isinstance(value, list) and value and all(isinstance(item, Mapping) for item in value) and depth < DEEPEST:
        taken: set[str] = set()
        for number, item in enumerate(value, 1):
            name = str(item.get("name", number))
            name = name if name not in taken else f"{name} ({number})"
            taken.add(name)
            rest = {key: one for key, one in item.items() if key != "name"}
            yield from _rows((*where, name), rest or name, depth + 1)
    else:
        *path, last = where
        yield (f"{', '.join(path)}: {last}" if path else last), value
