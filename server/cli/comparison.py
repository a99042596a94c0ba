"""Flights side by side, as the terminal has them: a letter for each, so that six fit, and what differs most in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from server.cli.paper import GAP, QUIET, TITLE, Block, Table, Words
from server.flight.units import METRIC, Units, number, with_signs
from server.review.compare import ComparedNumber, Comparison, farthest
from server.review.sheet_words import key_in_words, value_in_words

TOLD_AT_MOST = 10
LETTERS = "ABCDEF"
TITLES = {"landing at": "landed at", "nonfinite frames": "packets with no number", "lost": "packets lost",
          "damaged": "frames damaged"}  # fmt: skip


def comparison_blocks(found: Comparison, units: Units = METRIC) -> Iterator[Block]:
    """Yield what is printed of a comparison."""
    letters = LETTERS[: len(found.names)]
    moments = [at.replace("_", "-" if at == "lift_off" else " ") for at in found.at]
    for letter, name, moment in zip(letters, found.names, moments, strict=True):
        yield Words(f"{letter}  {name}, 0 s at {moment}", TITLE)
    yield GAP
    rows = [[_title(row, units), *_cells(row, units)] for row in found.numbers]
    yield Table(rows, ("", *letters), frozenset(range(1, len(letters) + 1)))
    yield Words("in brackets: how far from A", QUIET)
    yield GAP
    yield Words("Farthest apart, most telling first", TITLE)
    told = farthest(found)[:TOLD_AT_MOST]
    for one in told:
        amount, unit = _converted(one.apart, one.unit, units)
        yield Words(
            with_signs(f"{one.title}: {letters[one.which]} from A by {number(amount, 1)} {unit} at {one.t:+.2f} s"), indent=2
        )
    if not told:
        yield Words("nothing was heard of both", indent=2)
    if found.goals:
        yield GAP
        yield Words("What they were for", TITLE)
        yield Table(
            [[units.said(goal.what), *(outcome or "no such goal" for outcome in goal.outcomes)] for goal in found.goals],
            ("", *letters),
            indent=2,
        )
    yield GAP
    yield Words("Changed on the sheets" if found.changes else "Nothing changed on the sheets", TITLE)
    if found.changes:
        changed = [
            [
                key_in_words(entry.key),
                *("-" if value is None else value_in_words(entry.key, value) for value in entry.values),
            ]
            for entry in found.changes
        ]
        yield Table(changed, ("", *letters), indent=2)


def _title(row: ComparedNumber, units: Units) -> str:
    _, unit = _converted(0.0, row.unit, units)
    title = TITLES.get(row.name, row.name)
    return with_signs(f"{title}, {unit}" if unit else title).replace(", deg", ", \N{DEGREE SIGN}")


def _cells(row: ComparedNumber, units: Units) -> Sequence[str]:
    digits = 0 if all(value is None or float(value).is_integer() for value in row.values) else 2 if row.unit == "s" else 1
    cells = []
    for place, (value, change) in enumerate(zip(row.values, row.changes, strict=True)):
        if value is None:
            cells.append("-")
            continue
        shown, _ = _converted(value, row.unit, units)
        apart, _ = _converted(change or 0.0, row.unit, units)
        text = number(apart, digits)
        signed = text if text.startswith("\N{MINUS SIGN}") else f"+{text}"
        differs = place > 0 and change is not None and float(text.replace("\N{MINUS SIGN}", "-")) != 0.0
        cells.append(number(shown, digits) + (f" ({signed})" if differs else ""))
    return cells


def _converted(value: float, unit: str, units: Units) -> tuple[float, str]:
    """Return a value of a comparison and its unit as the person reads them."""
    if unit == "m":
        return units.height_of(value), units.height
    if unit == "m/s":
        return units.speed_of(value), units.speed
    return value, unit
