"""Tests of server/analysis/findings."""
