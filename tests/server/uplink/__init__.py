"""Tests of server/uplink."""
