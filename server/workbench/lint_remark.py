"""One thing found in looking over a dictionary."""

from __future__ import annotations

from dataclasses import dataclass

FAULT, CAUTION, NOTE = "FAULT", "caution", "note"


@dataclass(frozen=True)
class LintRemark:
    """One thing found: how bad, where (as a dotted place of the file), what."""

    severity: str
    place: str
    text: str
