"""`blockhouse weigh`, as a person calls it."""
