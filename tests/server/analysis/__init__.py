"""Tests of server/analysis."""
