"""What the numbers mean: pure functions and small classes over arrays."""
