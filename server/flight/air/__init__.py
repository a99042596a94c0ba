"""The air: standard atmosphere and height from pressure."""
