"""Tests of server/cli."""
