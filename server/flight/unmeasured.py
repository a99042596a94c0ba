"""What a measurement gives when the data do not carry one: the reason in plain words instead of a number."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Unmeasured:
    """No number, and why."""

    reason: str
