"""Numbers in words, to the digits that their doubt allows."""

from __future__ import annotations

from math import floor, isfinite, log10


def with_doubt(value: float, sigma: float) -> str:
    """Return "VALUE ± SIGMA", both to the sigma's first digit, or to its second where the first is 1 (common practice)."""
    if not (isfinite(value) and isfinite(sigma) and sigma > 0.0):
        return f"{value:.1f}"
    place = floor(log10(sigma))
    digits = place - 1 if sigma / 10.0**place < 2.0 else place
    shown = max(0, -digits)
    return f"{round(value, -digits):.{shown}f} \N{PLUS-MINUS SIGN} {round(sigma, -digits):.{shown}f}"
