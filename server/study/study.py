"""What a study tells: sentences first, the numbers behind them, pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Number:
    """One number with its 95 % interval, None where nothing is known; `unit` as it is shown, `note` words beside it."""

    name: str
    value: float | None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    note: str = ""


@dataclass(frozen=True)
class Line:
    """One curve of a picture, `x` and `y` of one length; with `low` and `high`, of the same length, a band around it."""

    name: str
    x: Sequence[float]
    y: Sequence[float]
    low: Sequence[float] = ()
    high: Sequence[float] = ()


@dataclass(frozen=True)
class Picture:
    """Curves over one axis; units stand in the labels."""

    title: str
    x_label: str
    y_label: str
    lines: Sequence[Line]


@dataclass(frozen=True)
class Study:
    """What was asked of a recording. `said` are sentences, the main one first; `advice` what to change, most telling first.

    Where nothing can be told, `said` gives the reason and the rest is empty. `cautions` stand above the numbers.
    """

    subject: str
    title: str
    said: Sequence[str]
    advice: Sequence[str] = ()
    numbers: Sequence[Number] = ()
    pictures: Sequence[Picture] = ()
    cautions: Sequence[str] = ()

    def body(self) -> dict[str, Any]:
        """Return it as plain values, as the page and scripts get it."""
        return asdict(self)
