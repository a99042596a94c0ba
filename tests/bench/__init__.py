"""Tests: tests bench."""
