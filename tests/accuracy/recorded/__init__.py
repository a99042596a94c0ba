"""Recorded flights of other vehicles through the real station: `python -m tests.accuracy.recorded DIR`."""
