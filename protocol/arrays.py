"""What the numpy arrays between the rooms hold; shapes stand with each function."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Levels = NDArray[np.int8]  # one of a few named steps, such as -1, 0 and 1
