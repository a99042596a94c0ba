"""Tests of server/live."""
