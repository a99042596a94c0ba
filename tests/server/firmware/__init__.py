"""Tests of the generated firmware: compiled by the system's C compiler and driven as it would be on board."""
