"""Tests of server/flight/control."""
