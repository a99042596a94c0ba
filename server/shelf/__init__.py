"""Recordings in a folder and what lies beside them."""
