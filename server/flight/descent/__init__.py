"""Coming down and where it lies."""
