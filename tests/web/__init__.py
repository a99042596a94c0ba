"""Tests: tests web."""
