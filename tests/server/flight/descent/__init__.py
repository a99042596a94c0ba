"""Tests of server/flight/descent."""
