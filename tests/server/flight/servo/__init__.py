"""A servo's chain from command to fin."""
