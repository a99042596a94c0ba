"""The attack bench: commands through the compiled C and the real queue, over the worst radio; an oracle judges."""
