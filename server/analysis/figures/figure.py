"""What every figure is, how it becomes the body of a journal entry, and the figures of a flight known so far."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, fields
from typing import ClassVar, TypeVar


@dataclass(frozen=True, kw_only=True)
class FigurePart:
    """Numbers that a figure has all together or not at all; in the journal they stand among its own."""


@dataclass(frozen=True, kw_only=True)
class NamedFigurePart(FigurePart):
    """A part whose numbers carry the name of the field it is in: `deployment` with a `delay_s` is deployment_delay_s."""


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One judged subject in SI units; `t` is the timeline second it belongs to.

    A field that has a default is left out of the journal while it holds it; one that has none is told, even as null.
    """

    key: ClassVar[str]
    severity: ClassVar[str] = "info"
    t: float | None = None

    @property
    def text(self) -> str:
        """The sentence for the list of events; empty for a figure that is none of them."""
        return ""

    def body(self) -> dict[str, object]:
        """Return what the journal keeps: values by name, in the order of the fields."""
        return dict(_told(self, ""))


def _told(part: Figure | FigurePart, prefix: str) -> Iterator[tuple[str, object]]:
    for field in fields(part):
        value = getattr(part, field.name)
        if isinstance(value, FigurePart):
            yield from _told(value, f"{prefix}{field.name}_" if isinstance(value, NamedFigurePart) else prefix)
        elif field.default is MISSING or value != field.default:
            yield prefix + field.name, _plain(value)


def _plain(value: object) -> object:
    if isinstance(value, FigurePart):
        return dict(_told(value, ""))
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, Mapping):
        return {name: _plain(item) for name, item in value.items()}
    return value


F = TypeVar("F", bound=Figure)


class Figures:
    """The last state of every figure known so far, one of each key."""

    def __init__(self, *figures: Figure) -> None:
        self._last = {figure.key: figure for figure in figures}

    def is_new(self, figure: Figure) -> bool:
        """Tell whether a figure says something new."""
        return self._last.get(figure.key) != figure

    def put(self, figure: Figure) -> bool:
        """Keep a figure; return whether it says something new."""
        is_new = self.is_new(figure)
        self._last[figure.key] = figure
        return is_new

    def drop(self, key: str) -> bool:
        """Forget the figure of a key; return whether there was one."""
        return self._last.pop(key, None) is not None

    def get(self, kind: type[F]) -> F | None:
        """Return the figure of a class, or None while it is not known."""
        figure = self._last.get(kind.key)
        return figure if isinstance(figure, kind) else None

    def t_of(self, key: str) -> float | None:
        """Return the time of a figure by its key, or None while it is not known."""
        figure = self._last.get(key)
        return None if figure is None else figure.t
