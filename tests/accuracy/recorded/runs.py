"""One pass of a flight through the recorder, `open_review` and `summarize`: what was told of each known quantity."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from server.review.review import open_review
from tests.accuracy.recorded.description import Known
from tests.accuracy.recorded.radio import Logged, heard, record
from tests.accuracy.recorded.told import QUANTITIES, Heard, Told

NUMBER = re.compile(r"-?\d+(\.\d+)?")


@dataclass(frozen=True)
class Run:
    """One pass of a flight: loss drawn, what was told of each known quantity, alarms and findings; `failure` if it broke."""

    lost: float
    told: tuple[Told, ...]
    alarms: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    failure: str = ""


def run(logged: Logged, loss: float, seed: int, also: Sequence[Known]) -> Run:
    """Send a flight once; whatever the station raises is a result, not an end."""
    sent = logged.sent(seed)
    frames = heard(sent.frames, loss, np.random.default_rng([7, seed]))
    lost = 1.0 - len(frames) / len(sent.frames)
    try:
        with tempfile.TemporaryDirectory() as folder:
            known = Heard.of(open_review(record(Path(folder), sent, frames)), sent.log_zero_s)
            told = tuple(QUANTITIES[one.quantity].read(known, one) for one in (*logged.flight.known, *also))
            faults = [fault["text"] for fault in known.summary.get("faults", [])]
            return Run(lost, told, tuple(known.alarms()), tuple(known.findings()), "; ".join(faults))
    except Exception as error:
        return Run(lost, (), failure=f"{type(error).__name__}: {error}")


def seeded(given: tuple[Logged, float, int, tuple[Known, ...]]) -> Run:
    """Do one pass in a process of its own."""
    return run(*given)
