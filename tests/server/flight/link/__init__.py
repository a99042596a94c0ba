"""Tests of server/flight/link."""
