"""The radio: loss, margin, range."""
