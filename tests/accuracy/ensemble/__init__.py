"""Other vehicles than the simulated one, by a simulator that shares no code with it: `python -m tests.accuracy.ensemble`."""
