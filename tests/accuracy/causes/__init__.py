"""Pitch-overs with known causes, by a simulator that shares no code with the fit: `python -m tests.accuracy.causes`."""
