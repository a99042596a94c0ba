"""The bench trial, pure."""
