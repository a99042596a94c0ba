"""The air that judgements reckon with where only its density matters, and not much."""

from __future__ import annotations

# Dry air, sea level, standard day (1976 standard atmosphere; tests/SOURCES.md, atmosphere-table).
SEA_LEVEL_DENSITY_KG_M3 = 1.225
# It thins by a factor e over this height near the ground; rounded, common practice, no source.
DENSITY_SCALE_M = 9000.0
