"""What packets mean, the same live or recorded: trackers batch by batch, judgements when a part of the flight is over."""
