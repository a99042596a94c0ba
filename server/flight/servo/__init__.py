"""A servo and its linkage from commanded and measured angles; only for what is asked on demand.

`drive` (what was asked, as far as telemetry tells) and `model` (a servo simulated) -> `fit` -> `chain` (each part with its
interval, or that it was not excited); `stops` (end stops), `supply` (sag, and time at limits).
"""
