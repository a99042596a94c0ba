"""Tests of server/http."""
