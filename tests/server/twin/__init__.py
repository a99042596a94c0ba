"""Tests: tests server twin."""
