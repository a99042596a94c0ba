"""Coverage-guided fuzzing of everything that reads what strangers made; seeds and found cases run with the tests."""
