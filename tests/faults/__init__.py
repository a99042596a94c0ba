"""The fault bench: every fault of the list is injected into real processes, and what came of it is told in a table."""
