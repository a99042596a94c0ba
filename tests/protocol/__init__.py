"""Tests: tests protocol."""
