"""Every failure of the wire, in one tree.

Problem                       one plain sentence for the person who asked; the station's own failures build on it too
    OurMistake                we were asked for something the wire does not allow
        DictionaryError       the dictionary file is wrong; names file, table and key
        ValueRefused          a value does not fit its field or argument
ShortBuffer                   fewer bytes than a structure needs (both lengths kept): a fault of the program, not of a person

What the *other* end does wrong (damage, junk, gaps) is never raised: it comes out of `protocol.link` as an event.
"""

from __future__ import annotations


class Problem(Exception):
    """A failure whose text is one plain sentence: whoever shows it needs no traceback and adds nothing."""


class OurMistake(Problem):
    """We were asked for something the wire does not allow."""


class DictionaryError(OurMistake):
    """The dictionary is wrong at a named place; `line` of its text, from 1, where it can be found."""

    def __init__(self, where: str, problem: str, file: str = "dictionary", line: int | None = None) -> None:
        super().__init__(where, problem, file, line)
        self.where = where
        self.problem = problem
        self.file = file
        self.line = line

    def __str__(self) -> str:
        line = f" line {self.line}" if self.line else ""
        place = f"[{self.where}] " if self.where else ""
        return f"{self.file}{line}: {place}{self.problem}"


class ValueRefused(OurMistake):
    """A value does not fit the field or argument it is meant for."""

    def __init__(self, name: str, value: object, problem: str) -> None:
        super().__init__(name, value, problem)
        self.name = name
        self.value = value
        self.problem = problem

    def __str__(self) -> str:
        return f"{self.name} = {self.value!r}: {self.problem}"


class ShortBuffer(ValueError):
    """A structure needs more bytes than there are."""

    def __init__(self, what: str, needed: int, got: int) -> None:
        super().__init__(what, needed, got)
        self.what = what
        self.needed = needed
        self.got = got

    def __str__(self) -> str:
        return f"{self.what} needs {self.needed} bytes, got {self.got}"
