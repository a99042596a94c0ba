"""Tests of guided calibrations: what a person is told to do, what is recognized, and the files that come of it."""
