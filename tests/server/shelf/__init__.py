"""Tests of server/shelf."""
