"""How full a lithium polymer cell is by its voltage at rest: rough, and only at rest.

Straight lines between points of the usual table of such cells (common practice, no source; full 4.20 V and nominal 3.7 V
as in tests/SOURCES.md, lithium-cell, which also warns that sag under load is not charge lost).
"""

from __future__ import annotations

TABLE: tuple[tuple[float, float], ...] = (
    (3.27, 0.0), (3.61, 0.05), (3.69, 0.10), (3.71, 0.15), (3.73, 0.20), (3.75, 0.25), (3.77, 0.30), (3.79, 0.35),
    (3.80, 0.40), (3.82, 0.45), (3.84, 0.50), (3.85, 0.55), (3.87, 0.60), (3.91, 0.65), (3.95, 0.70), (3.98, 0.75),
    (4.02, 0.80), (4.08, 0.85), (4.11, 0.90), (4.15, 0.95), (4.20, 1.0),
)  # fmt: skip


def charge_share(cell_v: float) -> float:
    """Return the share of its charge (0 to 1) that a cell at rest with a voltage (V) has left; NaN for NaN.

    Common practice, no source: straight lines between the points of `TABLE`, constant beyond its ends.
    """
    if cell_v != cell_v:
        return cell_v
    if cell_v <= TABLE[0][0]:
        return 0.0
    for (v0, share0), (v1, share1) in zip(TABLE, TABLE[1:], strict=False):
        if cell_v <= v1:
            return share0 + (share1 - share0) * (cell_v - v0) / (v1 - v0)
    return 1.0
