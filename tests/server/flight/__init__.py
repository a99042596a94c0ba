"""Tests: tests server flight."""
