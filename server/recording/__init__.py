"""The append-only session file, written by one thread, read back whatever happened."""
