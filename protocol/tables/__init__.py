"""The tables of a dictionary file, read and checked: packets, commands, rehearsal."""
