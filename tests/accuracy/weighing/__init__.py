"""Swings, weighings and static tests that never were, with their truth: do the told doubts hold?

Nothing here is shared with what reads them: swings are integrated from the equation of motion, errors have heavier tails
than the normal ones that are told, and thrust curves, stands and drifts have shapes nobody fits.
"""
