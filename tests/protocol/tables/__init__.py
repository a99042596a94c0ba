"""Tests of the tables of a dictionary file."""
