"""Tests of server/bridge."""
