"""Many flights at once."""
