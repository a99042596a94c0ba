"""A text log of any shape as columns: separators, comments, headings, units in a second row, decimal commas, gaps.

Nothing here knows a particular logger: the separator is the one by which most lines fall into as many numbers, headings are
what stands above the first line of numbers, and whatever is left out is counted.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from protocol.arrays import Floats
from server.problems import Problem

SEPARATORS = ";\t|, "
LINES_AT_MOST = 2_000_000
LOOKED_AT = 400
COMMENTS = ("#", "//", "%", "!")
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[nN][aA][nN]")
NOTHING = frozenset({"", "-", "--", "n/a", "na", "none", "null", "nan", "?"})
CLOCK = re.compile(r"(\d{4}-\d\d-\d\d[T ])?(?:(\d{1,2}):)?(\d{1,2}):(\d\d(?:\.\d+)?)Z?")
DAY_S = 86400.0
_LABELED = re.compile(r"([A-Za-z_][\w ]{0,20}?)\s*[:=]\s*(\S.*)")
_MEASURED = re.compile(r"([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-zµμ°%][^\s\d]{0,6}\d?)")
_COMMA = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d+)?")


class LogTableProblem(Problem):
    """A file is no table of columns; the text is one plain sentence."""


@dataclass(frozen=True)
class LogTable:
    """A log's columns by heading ("" where it has none) and unit as written, all cells as plain words of shape (n, columns).

    Numbers have a decimal point, what is missing is "". `notes` says what was left out.
    """

    path: Path
    separator: str
    headings: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...]

    def numbers(self, column: int) -> Floats | None:
        """Return a column as numbers of shape (n,), NaN where it is empty; None when it holds words."""
        words = [row[column] for row in self.rows]
        filled = [word for word in words if word]
        if not filled or not all(NUMBER.fullmatch(word) for word in filled):
            clocks = [CLOCK.fullmatch(word) for word in filled]
            if filled and all(clocks) and len(filled) == len(words):
                return _over_midnight(np.array([_seconds(word) for word in words]))
            return None
        return np.array([float(word) if word else np.nan for word in words])


def _seconds(word: str) -> float:
    """Return a time of day, with or without its date, or minutes and seconds, as seconds."""
    found = CLOCK.fullmatch(word)
    assert found is not None  # asked before
    days = datetime.fromisoformat(found[1].strip(" T")).toordinal() if found[1] else 0
    return DAY_S * days + 3600.0 * int(found[2] or 0) + 60.0 * int(found[3]) + float(found[4])


def _over_midnight(seconds: Floats) -> Floats:
    """Return times of day that go on after midnight."""
    return seconds + DAY_S * np.concatenate([[0.0], np.cumsum(np.diff(seconds) < -0.5 * DAY_S)])


def _bare(cell: str) -> tuple[str, str, str]:
    """Return (label, what it says, unit) of a cell like "T: 12.5 s", the label and the unit "" where it has none."""
    word = cell.strip().strip('"').strip()
    labeled = None if CLOCK.fullmatch(word) else _LABELED.fullmatch(word)
    label, rest = (labeled[1], labeled[2]) if labeled else ("", word)
    measured = _MEASURED.fullmatch(rest)
    unit = unit_of(measured[2]) if measured else ""
    return label, measured[1] if measured and unit else rest, unit


def _bared(rows: list[tuple[str, ...]], width: int) -> tuple[list[tuple[str, ...]], list[str], list[str]]:
    """Return the rows without the label and the unit that every cell of a column has, and these by column."""
    labels, units = [""] * width, [""] * width
    for place in range(width):
        first = next((row[place] for row in rows if row[place]), "")
        if _is_number(first) or not _is_told(first):
            continue
        bare = [_bare(row[place]) for row in rows]
        said = {(label, unit) for row, (label, _, unit) in zip(rows, bare, strict=True) if row[place]}
        if len(said) != 1:
            continue
        ((labels[place], units[place]),) = said
        rows = [(*row[:place], _plain(word), *row[place + 1 :]) for row, (_, word, _) in zip(rows, bare, strict=True)]
    return rows, labels, units


def read_table(path: Path) -> LogTable:
    """Read a log. Raises LogTableProblem and OSError."""
    data = path.read_bytes()
    text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig", "replace")
    lines = [line for line in text.splitlines()[:LINES_AT_MOST] if line.strip()]
    plain = [line for line in lines if not line.lstrip().startswith(COMMENTS)]
    if not plain:
        raise LogTableProblem(f"{path.name} holds no line of values.")
    separator = _separator(plain)
    cut = [_cells(line, separator) for line in plain]
    if not any(_is_row(cells) for cells in cut[1:]):  # words alone: by the heading
        separator = max(SEPARATORS, key=lambda one: _width_of_both(plain[0], plain[-1], one))
        cut = [_cells(line, separator) for line in plain]
    width = _width(cut)
    is_value = [len(cells) == width and _is_row(cells) for cells in cut]
    if not any(is_value) and len(cut) > 1 and len(cut[0]) == width:
        is_value = [number > 0 and len(cells) == width for number, cells in enumerate(cut)]  # words alone below a heading
    if width < 2 or not any(is_value):
        raise LogTableProblem(f"{path.name} has no lines with as many values each: it is no table of at least two columns.")
    first = is_value.index(True)
    headings, units = _headings(cut[:first], width, [line for line in lines if line not in plain][:60], separator)
    rows, other, repeated = [], 0, 0
    for cells in cut[first:]:
        if len(cells) != width:
            other += 1
        elif headings and [cell.strip() for cell in cells] == list(headings[1]):
            repeated += 1
        else:
            rows.append(tuple(_plain(cell) for cell in cells))
    notes = []
    if other:
        notes.append(f"{other} lines with another number of values than {width} are left out")
    if repeated:
        notes.append(f"the line of headings comes again {repeated} times and is left out there")
    rows, labels, written = _bared(rows, width)
    names = headings[0] if headings else tuple(labels)
    units = tuple(above or beside for above, beside in zip(units, written, strict=True))
    return LogTable(path, separator, names, units, tuple(rows), tuple(notes))


def _width_of_both(first: str, last: str, separator: str) -> int:
    """Return into how many cells both lines fall, 0 for different ones."""
    width = len(_cells(first, separator))
    return width if len(_cells(last, separator)) == width else 0


def _cells(line: str, separator: str) -> list[str]:
    if separator == " ":
        return line.split()
    return next(csv.reader([line], delimiter=separator), [])


def _separator(lines: Sequence[str]) -> str:
    """Return the character by which most lines fall into equally many cells that are numbers."""
    looked = [*lines[: LOOKED_AT // 4], *lines[len(lines) // 2 : len(lines) // 2 + LOOKED_AT]]

    def score(separator: str) -> tuple[float, int]:
        cut = [_cells(line, separator) for line in looked]
        width = _width(cut)
        if width < 2:
            return 0.0, 0
        same = [cells for cells in cut if len(cells) == width]
        share = sum(_is_told(cell) or not cell.strip() for cells in same for cell in cells) / (width * len(same))
        return round(share * len(same) / len(cut), 1), width

    return max(SEPARATORS, key=score)


def _width(cut: Sequence[Sequence[str]]) -> int:
    counts = Counter(len(cells) for cells in cut)
    return max(counts, key=lambda width: (counts[width] * (width > 1), width))


def _is_number(cell: str) -> bool:
    return NUMBER.fullmatch(_plain(cell)) is not None


def _is_told(cell: str) -> bool:
    """Whether a cell is a number, with or without a label before it and its unit behind."""
    return _is_number(cell) or _is_number(_bare(cell)[1])


def _is_row(cells: Sequence[str]) -> bool:
    """Whether a line is one of values: a third of what it says are numbers or times of day."""
    filled = [cell for cell in cells if cell.strip()]
    told = sum(_is_told(cell) or CLOCK.fullmatch(cell.strip()) is not None for cell in filled)
    return told * 3 >= len(filled) > 0


def _plain(cell: str) -> str:
    word = cell.strip().strip('"').strip()
    if word.lower() in NOTHING:
        return ""
    if _COMMA.fullmatch(word):
        return word.replace(",", ".")
    return word


Headings = tuple[tuple[str, ...], tuple[str, ...]]  # as they are to be read, and as they stand


def _headings(
    above: Sequence[Sequence[str]], width: int, comments: Sequence[str], separator: str
) -> tuple[Headings | None, tuple[str, ...]]:
    """Return the headings and a row of units below them, "" for none."""
    none = ("",) * width
    whole = [tuple(cell.strip() for cell in cells) for cells in above if len(cells) == width]
    if not whole:
        for line in reversed(comments):
            cells = _cells(line.lstrip().lstrip("#/%!").strip(), separator)
            if len(cells) == width and not any(_is_number(cell) for cell in cells):
                names = tuple(cell.strip() for cell in cells)
                return (names, names), none
        return None, none
    if len(whole) > 1 and _are_units(whole[-1]):
        return (whole[-2], whole[-2]), tuple(cell.strip("[]() ") for cell in whole[-1])
    return (whole[-1], whole[-1]), none


def _are_units(cells: Sequence[str]) -> bool:
    """Whether a row looks like units: short words, most of them in brackets or known."""
    known = sum(unit_of(cell.strip("[]() ")) != "" for cell in cells)
    return known >= 1 and all(len(cell) <= 10 for cell in cells) and 2 * known >= sum(bool(cell) for cell in cells)


# ---------------------------------------------------------------- units

_SPELLINGS = {
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "msec": "ms", "millis": "ms", "milliseconds": "ms", "usec": "us",
    "µs": "us", "μs": "us", "micros": "us", "microseconds": "us", "meter": "m", "meters": "m", "metres": "m", "feet": "ft",
    "foot": "ft", "m/s^2": "m/s2", "m/s²": "m/s2", "m/s/s": "m/s2", "m/ss": "m/s2", "m_s2": "m/s2", "mps2": "m/s2",
    "m/sec2": "m/s2", "ms-2": "m/s2", "m_s": "m/s", "mps": "m/s", "fps": "ft/s", "kmh": "km/h", "kph": "km/h", "g's": "g",
    "gs": "g", "gee": "g", "dps": "deg/s", "°/s": "deg/s", "deg_s": "deg/s", "degs": "deg/s", "deg/sec": "deg/s",
    "rad_s": "rad/s", "rads": "rad/s", "rad/sec": "rad/s", "degrees": "deg", "°": "deg", "degc": "degC", "°c": "degC",
    "celsius": "degC", "kelvin": "K", "k": "K", "pa": "Pa", "pascal": "Pa", "hpa": "hPa", "mb": "mbar", "kpa": "kPa",
    "v": "V", "volt": "V", "volts": "V", "mv": "mV", "a": "A", "ma": "mA", "mah": "mAh", "dbm": "dBm", "b": "B", "c": "degC",
}  # fmt: skip
_UNITS = frozenset(
    (
        *("s", "ms", "us", "m", "ft", "km", "cm", "mm", "m/s", "ft/s", "km/h", "kn", "m/s2", "g", "mg"),
        *("rad", "deg", "rad/s", "deg/s", "rpm", "K", "degC", "Pa", "hPa", "kPa", "mbar"),
        *("V", "mV", "A", "mA", "mAh", "dBm", "B"),
    )
)
_ENDINGS = (
    *("m_s2", "mps2", "deg_s", "rad_s", "m_s", "mps", "fps", "dps", "hpa", "kpa", "mbar", "pa", "degc", "ms", "us", "sec"),
    *("ft", "mv", "v", "ma", "a", "deg", "rad", "s", "m", "g", "k", "c"),
)


def unit_of(word: str) -> str:
    """Return the unit a word means, spelled as the station spells it, or ""."""
    word = word.strip()
    return word if word in _UNITS else _SPELLINGS.get(word.lower(), "")


def stem_and_unit(heading: str) -> tuple[str, str]:
    """Return (plain words, unit or "") of a heading: "Accel Z [m/s2]", "alt_ft", "Temperature, degC"."""
    found = re.fullmatch(r"(.*?)\s*[(\[{]\s*([^)\]}]*)\s*[)\]}]\s*", heading)
    if found:
        return found[1], unit_of(found[2])
    parts = re.fullmatch(r"(.+?)\s*[,/]\s*(\S+)", heading)
    if parts and unit_of(parts[2]):
        return parts[1], unit_of(parts[2])
    for ending in _ENDINGS:
        if re.fullmatch(rf".{{2,}}[_ ]{ending}", heading.lower()):
            return heading[: -len(ending) - 1], unit_of(ending)
    return heading, ""
