"""What Python imports by its name at the start of a station that is to have trouble inside."""
