"""Reading a TOML table with errors that name the place: every key is asked for once, and what is left is a mistake."""

from __future__ import annotations

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
