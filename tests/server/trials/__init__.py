"""Tests of server/trials."""
