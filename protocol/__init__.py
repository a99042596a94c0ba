"""The wire, pure: framing, packets, the dictionary, commands, and the rules of both ends."""
