"""Tests of server/flight/sensors."""
