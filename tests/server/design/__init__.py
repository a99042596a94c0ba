"""Tests of server/design."""
