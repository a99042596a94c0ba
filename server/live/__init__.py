"""One live session joined in a fixed order."""
