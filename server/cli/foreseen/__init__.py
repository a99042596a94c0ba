"""Commands that tell with their doubt what a flight will do before it is flown."""
