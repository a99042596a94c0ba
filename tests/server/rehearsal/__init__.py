"""Rehearsal."""
