"""What fins and side motors turned the vehicle by, about three axes, and what would have shown it where they did not."""
