"""A link as a QR code in the terminal, to be scanned from the screen.

Two modules share one character cell (upper half block), so a code of the operator's link fits 80 by 24 characters. Both
colors of every cell are set, to black and white of the 256-color table, which themes do not remap: so the code is dark
on light, as every scanner reads it, in a dark terminal and in a light one. Around it are the four light modules that
ISO/IEC 18004 asks for (the value is from memory). The symbol itself is made by segno.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

import segno

QUIET_MODULES = 4
UPPER_HALF = "\u2580"
BLACK, WHITE = 16, 231
RESET = "\x1b[0m"


class Terminal(Protocol):
    """What is asked of the stream that the code is printed to."""

    @property
    def encoding(self) -> str | None:
        """How it writes text."""
        ...

    def isatty(self) -> bool:
        """Tell whether a person's terminal is at the other end."""
        ...


def terminal_code(link: str) -> str:
    """Return lines, without a last line break, that show the QR code of `link`. Raises ValueError when it is too long."""
    symbol = segno.make(link, error="l", micro=False)
    rows = [[bool(module) for module in row] for row in symbol.matrix_iter(border=QUIET_MODULES)]
    if len(rows) % 2:
        rows.append([False] * len(rows[0]))
    return "\n".join(_line(upper, lower) for upper, lower in zip(rows[::2], rows[1::2], strict=True))


def can_show(stream: Terminal, environment: Mapping[str, str]) -> bool:
    """Tell whether a code can be seen there: a terminal that knows colors, and an encoding that has the half block."""
    if not stream.isatty() or environment.get("TERM") == "dumb":
        return False
    try:
        UPPER_HALF.encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _line(upper: list[bool], lower: list[bool]) -> str:
    """Return one line of cells; colors are written only where they change."""
    parts, before = [], None
    for pair in zip(upper, lower, strict=True):
        if pair != before:
            ink, ground = (BLACK if dark else WHITE for dark in pair)
            parts.append(f"\x1b[38;5;{ink};48;5;{ground}m")
            before = pair
        parts.append(UPPER_HALF)
    return "".join(parts) + RESET
