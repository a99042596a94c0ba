"""The battery."""
