"""One value held against one rule of the flight, with patience both ways so that noise and a single bad row call nobody.

A rule is broken after `PROOF_S` of rows beyond it and nothing else, two rows at least; it is kept again after `KEPT_S` of
rows within it. What is no number proves neither. The proof is short because a vehicle that lies over crosses a field in
seconds: with the rows' own spacing it stays under a fifth of one from ten rows a second on. Common practice, no source.
"""

from __future__ import annotations

PROOF_S = 0.095  # a hair under a tenth: rows a tenth apart are apart by a little less or more
KEPT_S = 2.0


class RuleWatch:
    """The state of one rule: `broken` is what is told now. All times are timeline seconds."""

    def __init__(self, limit: float) -> None:
        self.limit = limit
        self.broken = False
        self._beyond_s: float | None = None  # since when every row is beyond the limit
        self._within_s: float | None = None

    def take(self, t_s: float, value: float) -> bool:
        """Take one value, in the limit's unit; tell whether `broken` has changed by it."""
        if value > self.limit:
            self._within_s = None
            self._beyond_s = t_s if self._beyond_s is None else self._beyond_s
            if not self.broken and t_s - self._beyond_s >= PROOF_S:
                self.broken = True
                return True
        elif value <= self.limit:  # false for NaN
            self._beyond_s = None
            self._within_s = t_s if self._within_s is None else self._within_s
            if self.broken and t_s - self._within_s >= KEPT_S:
                self.broken = False
                return True
        return False

    def end(self) -> bool:
        """The rule counts no more: tell whether it was broken, and begin anew."""
        was = self.broken
        self.broken, self._beyond_s, self._within_s = False, None, None
        return was
