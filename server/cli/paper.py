"""What a command prints for a person: paragraphs and tables, fitted to a terminal, or plain where a program reads them.

On a terminal nothing is wider than it (COLUMNS, else its own size, else 80): sentences wrap below their own beginning,
cells of a table fold, and a table that does not fit stands line below line. Into a file or a pipe each paragraph and each
row is one line, uncut, without color. Color is for a terminal only, and not where NO_COLOR says so (no-color.org).
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from rich.console import Console

NARROWEST, LEAST_CELL = 20, 8
TITLE, ACT, LOOK, QUIET = "title", "act", "look", "quiet"
# Red: act now. Amber: look. Nothing else has a color.
STYLES = {TITLE: "bold", ACT: "bold red", LOOK: "yellow", QUIET: "dim", "": ""}


@dataclass(frozen=True)
class Words:
    """A paragraph; `hang` is how far its further lines are set in on a terminal, `label` what stands before them."""

    text: str
    style: str = ""
    indent: int = 0
    label: str = ""
    label_width: int = 0


@dataclass(frozen=True)
class Table:
    """Rows of cells under a head; columns in `right` are numbers. `styles` gives a row its style, by its place."""

    rows: Sequence[Sequence[str]]
    head: Sequence[str] = ()
    right: frozenset[int] = frozenset()
    styles: Mapping[int, str] | None = None
    indent: int = 0


Block = Words | Table
GAP = Words("")


def printable(text: str) -> str:
    """Return a line that cannot steer a terminal, whatever a recording holds."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def show(blocks: Iterable[Block], stream: TextIO | None = None) -> None:
    """Print blocks as whoever reads them needs it."""
    stream = stream or sys.stdout
    if stream.isatty():
        _show_fitted(blocks, stream)
        return
    for line in plain_lines(blocks):
        print(_encodable(line, stream), file=stream)
    stream.flush()


def _encodable(line: str, stream: IO[str]) -> str:
    """Return a line as the stream can take it: an old code page has no true minus sign."""
    encoding = getattr(stream, "encoding", None) or "utf-8"
    try:
        line.encode(encoding)
    except UnicodeEncodeError:
        line = line.replace("\N{MINUS SIGN}", "-").replace("\N{SUPERSCRIPT TWO}", "2").replace("\N{PLUS-MINUS SIGN}", "+-")
        return line.replace("\N{DEGREE SIGN}", " deg").encode(encoding, "replace").decode(encoding)
    return line


# ---------------------------------------------------------------- for programs


def plain_lines(blocks: Iterable[Block]) -> Iterator[str]:
    """Yield the lines of blocks for a file or a pipe: one for a paragraph, one for a row."""
    for block in blocks:
        if isinstance(block, Words):
            label = f"{block.label:<{block.label_width}}" if block.label else ""
            yield printable(f"{' ' * block.indent}{label}{block.text}").rstrip()
        else:
            yield from _plain_rows(block)


def _plain_rows(table: Table) -> Iterator[str]:
    rows = [tuple(map(printable, row)) for row in ([table.head] if any(table.head) else []) + list(table.rows)]
    widths = _widths(rows)
    for row in rows:
        # The last column is as long as it is; a number stands on the right of its column.
        cells = [
            cell.rjust(width) if place in table.right else cell.ljust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=False))
        ]
        yield (" " * table.indent + "  ".join(cells)).rstrip()


def _widths(rows: Sequence[Sequence[str]]) -> list[int]:
    count = max((len(row) for row in rows), default=0)
    return [max((len(row[place]) for row in rows if place < len(row)), default=0) for place in range(count)]


# ---------------------------------------------------------------- for a terminal


def terminal_columns() -> int:
    """Return how many columns may be used."""
    return max(shutil.get_terminal_size((80, 24)).columns, NARROWEST)


def _show_fitted(blocks: Iterable[Block], stream: TextIO) -> None:
    from rich.console import Console
    from rich.table import Table as RichTable
    from rich.text import Text

    plain = bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
    console = Console(
        file=stream, width=terminal_columns(), color_system=None if plain else "standard", highlight=False, markup=False,
        emoji=False, legacy_windows=False, force_terminal=True, no_color=plain,
    )  # fmt: skip
    for block in blocks:
        if isinstance(block, Words):
            _show_words(console, block)
        elif _fits(block, console.width):
            drawn = RichTable(box=None, show_header=any(block.head), pad_edge=False, padding=(0, 2, 0, 0))
            for place in range(max(map(len, [block.head, *block.rows]), default=0)):
                name = block.head[place] if place < len(block.head) else ""
                drawn.add_column(
                    Text(_encodable(printable(name), stream)),
                    justify="right" if place in block.right else "left",
                    overflow="fold",
                    header_style="dim",
                )
            for number, row in enumerate(block.rows):
                style = STYLES[(block.styles or {}).get(number, "")]
                drawn.add_row(*(Text(_encodable(printable(cell), stream), style) for cell in row))
            _print_set_in(console, drawn, block.indent)
        else:
            _show_stacked(console, block)


def _fits(table: Table, columns: int) -> bool:
    """Return whether a table can stand as columns: numbers whole, and the widest text with some room to fold in."""
    widths = _widths([*table.rows, table.head])
    if not widths:
        return True
    widest = max(range(len(widths)), key=lambda place: (place not in table.right, widths[place]))
    rest = sum(width + 2 for place, width in enumerate(widths) if place != widest)
    return table.indent + rest + min(widths[widest], 3 * LEAST_CELL) <= columns


def _show_words(console: Console, words: Words) -> None:
    from rich.table import Table as RichTable
    from rich.text import Text

    text = Text(_encodable(printable(words.text), console.file), STYLES[words.style], overflow="fold")
    if not words.label:
        _print_set_in(console, text, words.indent)
        return
    grid = RichTable.grid(padding=(0, 2, 0, 0))
    grid.add_column(width=max(words.label_width - 2, len(words.label)), overflow="fold")
    grid.add_column(overflow="fold")
    grid.add_row(Text(_encodable(printable(words.label), console.file), STYLES[words.style]), text)
    _print_set_in(console, grid, words.indent)


def _show_stacked(console: Console, table: Table) -> None:
    """Print each row as its first cell, and below it the others, each with its column's name."""
    for number, row in enumerate(table.rows):
        style = (table.styles or {}).get(number, "")
        _show_words(console, Words(row[0], style or TITLE, table.indent))
        for place, cell in enumerate(row[1:], 1):
            if cell:
                name = table.head[place] if place < len(table.head) else ""
                _show_words(console, Words(f"{name} {cell}".strip(), style, table.indent + 2))


def _print_set_in(console: Console, what: object, indent: int) -> None:
    from rich.padding import Padding

    console.print(Padding(what, (0, 0, 0, indent), expand=False) if indent else what)  # type: ignore[arg-type]
