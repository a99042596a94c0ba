"""Swings, weighings and static tests that never were, with their truth: do the told doubts hold?

Nothing here is shared with what reads them: swings are integrated from the equation of motion, errors are drawn from other
distributions than the told ones (even, not normal), and thrust curves, stands and drifts have shapes nobody fits.
"""
