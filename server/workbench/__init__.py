"""What a builder runs before anything flies."""
