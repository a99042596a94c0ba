"""The flight computer's half of the link as C, made from a dictionary, and a compiled one driven as a process."""
