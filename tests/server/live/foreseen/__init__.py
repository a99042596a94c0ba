"""What is foreseen while a station runs."""
