"""The pitch-over's equation, its fit and its causes."""
