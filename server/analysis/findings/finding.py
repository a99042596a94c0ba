"""What a rule returns, and what all of them need."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

Moments = Mapping[str, tuple[float, float]]
"""Timeline second and height (m) of each moment, by its key."""

SAME_MOMENT_S = 0.15
MOMENT_WORDS = {
    "lift_off": "it lifted off",
    "burnout": "the motor burned out",
    "ignition_2": "the second motor lit",
    "burnout_2": "the second motor burned out",
    "control_enabled": "control was enabled",
    "deployment": "deployment was commanded",
    "separation": "the separation switch opened",
    "apogee": "it passed apogee",
}


@dataclass(frozen=True)
class FlightFinding:
    """One sentence about the flight, the timeline second it belongs to, its numbers and what to do about it."""

    key: str
    severity: str
    text: str
    t: float | None
    advice: str
    evidence: Mapping[str, object] = field(default_factory=dict)

    def body(self) -> dict[str, object]:
        """Return what the journal keeps."""
        return {"t": self.t, "advice": self.advice, "evidence": dict(self.evidence)}


def known(value: float | None) -> float | None:
    """Return a number, or None also for one that is not a number."""
    return value if value is not None and value == value else None


def at_that_moment(t: float | None, moments: Moments) -> str:
    """Return what else happened within `SAME_MOMENT_S` of a time: flags come at their own rate, a little later."""
    if t is None:
        return ""
    near = [name for name, (when, _) in moments.items() if abs(when - t) <= SAME_MOMENT_S and name in MOMENT_WORDS]
    return "".join(f"; {MOMENT_WORDS[name]} in the same moment" for name in near)
