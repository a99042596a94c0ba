"""Tests of server/flight/air."""
