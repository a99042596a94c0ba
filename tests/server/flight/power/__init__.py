"""Tests of server/flight/power."""
