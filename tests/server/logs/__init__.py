"""Tests of server/logs."""
