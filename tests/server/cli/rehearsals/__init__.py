"""Rehearsing from the terminal."""
