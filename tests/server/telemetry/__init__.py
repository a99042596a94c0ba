"""Tests of server/telemetry."""
