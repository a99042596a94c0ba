"""The steering: gate, roll authority, linkage, servo bus."""
