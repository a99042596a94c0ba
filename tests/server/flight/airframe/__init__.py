"""Tests of server/flight/airframe."""
