"""Reading a TOML table with errors that name the place: every key is asked for once, and what is left is a mistake.

`line_of` finds a place again in the text, which `tomllib` forgets: it reads what `tomllib` has read before, so that all of
it is well formed, and judges no value.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from enum import Enum
from math import isfinite
from typing import TypeVar

from protocol.errors import DictionaryError


class _Absent(Enum):
    """That a key has no default."""

    ABSENT = 0


T = TypeVar("T")
Word = TypeVar("Word", bound=str)
_ABSENT = _Absent.ABSENT
_BLANK = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_KEY = re.compile(r"""[A-Za-z0-9_-]+|"(?:\\.|[^"\\\n])*"|'[^'\n]*'""")
_TEXT = re.compile(
    r""""{3}(?:\\[\s\S]|[^\\])*?"{3,5}|'{3}[\s\S]*?'{3,5}|"(?:\\.|[^"\\\n])*"|'[^'\n]*\'""",
)
_SCALAR = re.compile(r"[^,\]}\n#]+")
_CHANNEL = re.compile(r"((?:packet|stimulus)\.\w+)\.fields\[\d+\](?:\.bits\[\d+\])?")

_KIND_NAMES: dict[type, str] = {
    str: "text",
    int: "a whole number",
    float: "a number",
    bool: "true or false",
    list: "a list",
    dict: "a table",
}


class TomlTable:
    """One table of a TOML file, read key by key.

    `where` is the dotted place used in messages, for example ``packet.navigation.fields[3]``.
    """

    def __init__(self, values: object, where: str, file: str) -> None:
        if not isinstance(values, Mapping):
            raise DictionaryError(where, "must be a table", file)
        self.where = where
        self.file = file
        self._values: Mapping[str, object] = values
        self._asked: set[str] = set()

    def problem(self, text: str, key: str | None = None) -> DictionaryError:
        """Return (not raise) the error that names this table and `key`."""
        place = ".".join(part for part in (self.where, key) if part)
        return DictionaryError(place, text, self.file)

    def get(self, key: str, kind: type[T], default: T | _Absent = _ABSENT) -> T:
        """Return the value of `key`, which must be of `kind`; a missing key without a default is an error.

        A whole number will do where `float` is asked for; infinities and NaN, which TOML can write, will not.
        """
        self._asked.add(key)
        if key not in self._values:
            if isinstance(default, _Absent):
                raise self.problem(f"key '{key}' is missing")
            return default
        value = self._values[key]
        if kind is float and isinstance(value, int | float) and not isinstance(value, bool):
            value = self.finite(value, key)
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise self.problem(f"must be {_KIND_NAMES.get(kind, kind.__name__)}, got {value!r}", key)
        return value

    def finite(self, value: int | float, key: str) -> float:
        """Return a number of `key` as a float, which it must fit; an infinity or NaN is an error."""
        try:
            number = float(value)
        except OverflowError:  # a whole number of more than 308 digits
            number = float("inf")
        if not isfinite(number):
            raise self.problem("must be a finite number that fits 64-bit floating point", key)
        return number

    def numbers(self, key: str) -> list[float]:
        """Return a list of finite numbers."""
        items = self.get(key, list)
        if not all(isinstance(item, int | float) and not isinstance(item, bool) for item in items):
            raise self.problem("must be a list of numbers", key)
        return [self.finite(item, key) for item in items]

    def raw(self, key: str) -> object:
        """Return the value of `key` as TOML gave it, whatever its type; None when it is missing."""
        self._asked.add(key)
        return self._values.get(key)

    def has(self, key: str) -> bool:
        """Tell whether the table holds `key`."""
        return key in self._values

    def choice(self, key: str, allowed: tuple[Word, ...], default: Word | _Absent = _ABSENT) -> Word:
        """Return a text that must be one of `allowed`."""
        value = self.get(key, str, default)
        for word in allowed:
            if word == value:
                return word
        raise self.problem(f"must be one of {', '.join(allowed)}, got {value!r}", key)

    def table(self, key: str, default: dict[str, object] | _Absent = _ABSENT) -> TomlTable:
        """Return a sub-table."""
        return TomlTable(self.get(key, dict, default), f"{self.where}.{key}" if self.where else key, self.file)

    def tables(self, key: str) -> list[TomlTable]:
        """Return a list of sub-tables; a missing key is an empty list."""
        items = self.get(key, list, [])
        prefix = f"{self.where}.{key}" if self.where else key
        return [TomlTable(item, f"{prefix}[{i}]", self.file) for i, item in enumerate(items)]

    def named_tables(self, key: str) -> list[tuple[str, TomlTable]]:
        """Return the sub-tables of `key` with their names; a missing key is an empty list."""
        group = self.get(key, dict, {})
        prefix = f"{self.where}.{key}" if self.where else key
        return [(name, TomlTable(value, f"{prefix}.{name}", self.file)) for name, value in group.items()]

    def element(self, type_: str, name: str, word: str) -> TomlTable:
        """Return this table as that of one element of an array: its type and name, `{}` in its texts filled with `word`."""
        self._asked.update(self._values)
        told = {key: self._values[key] for key in self._values if key != "elements"}
        for key in ("role", "label", "description"):
            text = told.get(key)
            if isinstance(text, str):
                told[key] = text.replace("{}", word)
        return TomlTable({**told, "type": type_, "name": name}, self.where, self.file)

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of texts; a missing key is empty."""
        items = self.get(key, list, [])
        if not all(isinstance(item, str) for item in items):
            raise self.problem("must be a list of texts", key)
        return tuple(items)

    def done(self) -> None:
        """Refuse keys nobody asked for: they are spelling mistakes."""
        unknown = sorted(set(self._values) - self._asked)
        if unknown:
            raise self.problem(f"unknown key '{unknown[0]}'", unknown[0])


def line_of(text: str, where: str) -> int | None:
    """Return the line, from 1, of the dotted place `where` as errors name it, like ``packet.imu.fields[3].unit``.

    A channel is also found as ``packet.imu.pressure``. Where a key is missing, the line of its table; None when there is
    no such table, or the text cannot be followed.
    """
    places = lines_of(text)
    while where:
        if where in places:
            return places[where]
        shorter = re.sub(r"(\.[^.\[]*|\[\d+\])\Z", "", where)
        where = shorter if shorter != where else ""
    return None


def lines_of(text: str) -> dict[str, int]:
    """Return the line of every table, key and list entry; nothing for a text that cannot be followed."""
    try:
        return _Places(text).found
    except (ValueError, RecursionError):
        return {}


class _Places:
    """Every table, key and list entry of a text with its line."""

    def __init__(self, text: str) -> None:
        self.found: dict[str, int] = {}
        self._text = text
        self._at = 0
        self._counts: dict[str, int] = {}
        table = ""
        while self._skip():
            if text.startswith("[", self._at):
                table = self._header()
            else:
                self._pair(table)

    def _skip(self) -> bool:
        """Go on to what is neither blank nor comment; tell whether there is any."""
        self._at = self._match(_BLANK).end()
        return self._at < len(self._text)

    def _match(self, pattern: re.Pattern[str]) -> re.Match[str]:
        found = pattern.match(self._text, self._at)
        if found is None:
            raise ValueError(f"cannot be followed at {self._at}")
        return found

    def _take(self, pattern: re.Pattern[str]) -> str:
        found = self._match(pattern)
        self._at = found.end()
        return found[0]

    def _peek(self) -> str:
        self._skip()
        return self._text[self._at : self._at + 1]

    def _note(self, place: str, at: int) -> None:
        self.found.setdefault(place, self._text.count("\n", 0, at) + 1)

    def _key(self) -> str:
        """Take a key, dotted or not."""
        parts = []
        while True:
            self._skip()
            parts.append(self._take(_KEY).strip("\"'"))
            if self._peek() != ".":
                return ".".join(parts)
            self._at += 1

    def _header(self) -> str:
        begin, brackets = self._at, 2 if self._text.startswith("[[", self._at) else 1
        self._at += brackets
        place = self._key()
        self._skip()
        self._at += brackets
        if brackets == 2:
            number = self._counts.get(place, 0)
            self._counts[place] = number + 1
            self._note(place, begin)
            place = f"{place}[{number}]"
        self._note(place, begin)
        return place

    def _pair(self, table: str) -> None:
        begin = self._at
        key = self._key()
        place = f"{table}.{key}" if table else key
        self._note(place, begin)
        self._skip()
        self._at += 1  # the equals sign
        self._skip()
        value = self._at
        self._value(place)
        channel = _CHANNEL.fullmatch(table)
        if key == "name" and channel is not None:
            self._note(f"{channel[1]}.{self._text[value : self._at].strip(chr(34) + chr(39))}", begin)

    def _value(self, place: str) -> None:
        opening = self._peek()
        if opening == "[":
            self._list(place)
        elif opening == "{":
            self._at += 1
            while self._peek() != "}":
                self._pair(place)
                if self._peek() == ",":
                    self._at += 1
            self._at += 1
        elif opening in ('"', "'"):
            self._take(_TEXT)
        else:
            self._take(_SCALAR)

    def _list(self, place: str) -> None:
        self._at += 1
        number = 0
        while self._peek() != "]":
            self._note(f"{place}[{number}]", self._at)
            self._value(f"{place}[{number}]")
            number += 1
            if self._peek() == ",":
                self._at += 1
        self._at += 1
