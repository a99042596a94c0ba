"""Is the state vector made of numbers? Finds the frames in which a component is NaN or infinite (IEEE 754)."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from protocol.arrays import Floats, Ints


def nonfinite_rows(columns: Mapping[str, Floats]) -> Ints:
    """Return the indexes of rows in which any column (each of shape (n,)) is not finite."""
    if not columns:
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero(~np.isfinite(np.array(list(columns.values()))).all(axis=0))


def nonfinite_names(columns: Mapping[str, Floats], row: int) -> list[str]:
    """Return the names of the components that are not finite in `row`, in order."""
    return [name for name, values in columns.items() if not np.isfinite(values[row])]
