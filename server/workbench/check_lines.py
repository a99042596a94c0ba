"""The lines of the table that a check of a vehicle prints."""

from __future__ import annotations

from dataclasses import dataclass

OK, FAULT, OPEN = "ok", "FAULT", "not seen"


@dataclass(frozen=True)
class CheckLine:
    """One line of the table: what was looked at, the verdict, what was seen."""

    name: str
    verdict: str
    seen: str
