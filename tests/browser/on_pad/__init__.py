"""Tests: tests browser."""
