"""Who may command: one operator at a time. Pure; time is an argument.

Authority is taken, handed back and lost visibly. It is lost when the operator's page says nothing for
`SILENT_AT_MOST_S` or closes. Whoever calls must tell the command queue whenever the holder changes: that disarms.
"""

from __future__ import annotations

# Our choice. A page says each second that it is there, so five words in a row are missing: more than a busy browser or a
# short loss on a field's Wi-Fi costs, less than a person takes to walk away from the desk and be relied upon.
SILENT_AT_MOST_S = 5.0


class Authority:
    """The operators signed in and the one who holds authority. Methods return True when the holder changed."""

    def __init__(self) -> None:
        self.holder: str | None = None
        self._heard_s: dict[str, float] = {}

    def sign_in(self, operator: str, now_s: float) -> bool:
        """An operator's page arrived; it gets authority only if nobody holds it."""
        self._heard_s[operator] = now_s
        return self.take(operator, now_s) if self.holder is None else False

    def take(self, operator: str, now_s: float) -> bool:
        """An explicit act: this operator takes authority, from another if need be."""
        if operator not in self._heard_s:
            return False
        self._heard_s[operator] = now_s
        return self._give(operator)

    def release(self, operator: str) -> bool:
        """An explicit act: the holder hands authority back."""
        return self._give(None) if self.holder == operator else False

    def give(self, operator: str, to: str) -> bool:
        """An explicit act: the holder hands authority over to another who is signed in."""
        if operator != self.holder or to == operator or to not in self._heard_s:
            return False
        return self._give(to)

    def leave(self, operator: str) -> bool:
        """The operator's page closed."""
        self._heard_s.pop(operator, None)
        return self.release(operator)

    def alive(self, operator: str, now_s: float) -> None:
        """The operator's page said it is there. A holder who was silent for too long does not get away with it."""
        if operator in self._heard_s and not (operator == self.holder and self._is_silent(now_s)):
            self._heard_s[operator] = now_s

    def tick(self, now_s: float) -> bool:
        """Let time pass: a silent page loses authority."""
        return self._give(None) if self._is_silent(now_s) else False

    def _is_silent(self, now_s: float) -> bool:
        return self.holder is not None and now_s - self._heard_s[self.holder] > SILENT_AT_MOST_S

    def _give(self, operator: str | None) -> bool:
        changed = operator != self.holder
        self.holder = operator
        return changed
