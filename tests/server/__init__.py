"""Tests: tests server."""
