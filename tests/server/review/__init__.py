"""Tests of server/review."""
