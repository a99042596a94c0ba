"""Running one case so many times, and the row of the table it gives."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tests.faults.case import Case, Seen, fresh
from tests.faults.pad import Pad


@dataclass(frozen=True)
class Row:
    """One row: the case, how often it was tried, what was last seen, bytes lost in all."""

    case: Case
    tried: int
    seen: str
    lost_bytes: int


def run_case(case: Case, times: int, folder: Path, pad: Pad | None) -> Row:
    """Inject a fault so many times. AssertionError when anything but the expected was seen."""
    seen = Seen("")
    lost = 0
    for number in range(times):
        try:
            seen = case.run(pad if case.on_pad else fresh(folder, f"fault-{case.number}-"), number)
        finally:
            if pad is not None:
                pad.talking = pad.listening = True
        lost += seen.lost_bytes
    if case.on_pad:
        assert pad is not None
        lost += pad.lost()
        assert pad.alive(), "the station does not answer"
        assert pad.hazardous_frames() == pad.allowed_hazardous, "a hazardous frame left"
    assert lost == 0, f"{lost} bytes are lost that the promise covers"
    return Row(case, times, seen.text, lost)
