"""Tests of server/analysis/figures."""
