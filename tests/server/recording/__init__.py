"""Tests of server/recording."""
