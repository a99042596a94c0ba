"""Commands that tell what a flight will do before it is flown."""
