"""One recording opened, and what is taken home from it."""
