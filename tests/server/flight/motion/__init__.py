"""Tests of server/flight/motion."""
