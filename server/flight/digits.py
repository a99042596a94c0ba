"""Numbers in words, to the digits that their doubt allows."""

from __future__ import annotations

from math import floor, isfinite, log10

Z95 = 1.96  # of a normal error, two-sided; any table of it


def with_doubt(value: float, sigma: float) -> str:
    """Return "VALUE ± DOUBT" with half the 95 % interval of a normal error of one sigma, as the page writes it.

    Both to the doubt's first digit, or to its second where the first is 1 (common practice).
    """
    if not (isfinite(value) and isfinite(sigma) and sigma > 0.0):
        return f"{value:.1f}"
    doubt = Z95 * sigma
    place = floor(log10(doubt))
    digits = place - 1 if doubt / 10.0**place < 2.0 else place
    shown = max(0, -digits)
    return f"{round(value, -digits):.{shown}f} \N{PLUS-MINUS SIGN} {round(doubt, -digits):.{shown}f}"
