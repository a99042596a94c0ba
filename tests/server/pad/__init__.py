"""Tests of server/pad."""
