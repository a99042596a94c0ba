"""Tests of attitude and speed from the raw inertial units, and of what precedes a bad number."""
