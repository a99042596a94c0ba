"""The stamps of a recording and of the station's clocks are whole nanoseconds; seconds everywhere else."""

from __future__ import annotations

NS_PER_S = 1_000_000_000
