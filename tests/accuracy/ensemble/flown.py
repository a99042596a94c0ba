"""One drawn vehicle through the recorder, `open_review` and `summarize`: what it was told."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from server.review.review import open_review
from tests.accuracy.ensemble.sensors import Drawn, draw
from tests.accuracy.ensemble.truth import missed, verdict
from tests.accuracy.recorded.description import Known
from tests.accuracy.recorded.radio import Sent, heard, record
from tests.accuracy.recorded.runs import NUMBER
from tests.accuracy.recorded.told import QUANTITIES, Heard, Told


@dataclass(frozen=True)
class Result:
    """What one vehicle was told: (known, told) pairs, alarms and findings; `failure` where the station broke.

    `verdicts` are those of `said`, "true", "false" or "?"; `missed` is what had to be said and was not.
    """

    seed: int
    drawn: Drawn
    pairs: tuple[tuple[Known, Told], ...]
    said: tuple[str, ...]
    failure: str = ""
    verdicts: tuple[str, ...] = ()
    missed: tuple[str, ...] = ()


def flown(which: tuple[int, str]) -> Result:
    """Draw, fly, record and read one vehicle, given by its number and its extra ("": none)."""
    seed, extra = which
    drawn = draw(seed, extra)
    sent = drawn.logged.sent(seed)
    drawn = replace(drawn, logged=replace(drawn.logged, rows=()))  # what is carried from one process to another
    frames = heard(sent.frames, drawn.loss, np.random.default_rng([8, seed]))
    try:
        with tempfile.TemporaryDirectory() as folder:
            told = Heard.of(open_review(record(Path(folder), sent, frames)), sent.log_zero_s)
    except Exception as error:
        return Result(seed, drawn, (), (), f"{type(error).__name__}: {error}")
    pairs = tuple((known, QUANTITIES[known.quantity].read(told, known)) for known in drawn.known)
    faults = "; ".join(fault["text"] for fault in told.summary.get("faults", []))
    drawn = replace(drawn, loss=_lost_in_flight(drawn, sent, frames))
    said = [f"alarm: {text}" for text in told.alarms()] + [f"finding: {text}" for text in told.findings()]
    # One text of a kind: where it came more than once, false if it ever was.
    judged = {
        NUMBER.sub("#", text): verdict(text, drawn) for text in sorted(said, key=lambda one: verdict(one, drawn) == "false")
    }
    kinds = tuple(sorted(judged))
    verdicts, lacking = tuple(judged[kind] for kind in kinds), tuple(missed(drawn, said, pairs))
    return Result(seed, drawn, pairs, kinds, faults, verdicts, lacking)


def _lost_in_flight(drawn: Drawn, sent: Sent, frames: Sequence[tuple[float, bytes]]) -> float:
    """Return the share of the packets sent between lift-off and landing that got lost: bursts make it other than drawn."""
    known = {one.quantity: one.value for one in drawn.known}
    start, stop = known["lift_off"], known["landing"]
    assert start is not None and stop is not None
    sent_then, heard_then = (sum(start <= sent.log_s(t) <= stop for t, _ in those) for those in (sent.frames, frames))
    return 1.0 - heard_then / max(sent_then, 1)
