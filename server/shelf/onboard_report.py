"""What is shown of an onboard log beside a recording: how its clock lies, what the radio lost, its events."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass

import numpy as np

from server.flight.sensors.alignment import Alignment, alignment_dict
from server.flight.units import number
from server.review.review import Review
from server.shelf.onboard_alignment import Lost, pairs_of, rate_hz, what_was_lost
from server.shelf.onboard_log import OnboardLog
from server.shelf.onboard_mapping import LogProblem


@dataclass(frozen=True)
class LogReport:
    """A log against a recording.

    `columns` are those read as (name, role, unit), `unread` the names of those that hold texts, `compared` what both saw,
    `lost` what the radio did not bring of each role, `events` as (timeline s, text). A log that is not aligned has neither
    `lost` nor `events`.
    """

    alignment: Alignment
    rows: int
    rate_hz: float
    columns: tuple[tuple[str, str, str], ...]
    unread: tuple[str, ...]
    compared: tuple[str, ...]
    lost: tuple[Lost, ...] = ()
    events: tuple[tuple[float, str], ...] = ()

    @property
    def sigma_ends_s(self) -> float:
        """How sure the alignment is at the ends of what both saw, one sigma, s."""
        end = self.alignment.middle_s + 0.5 * self.alignment.overlap_s
        return float(self.alignment.sigma_at(np.array([end]))[0])

    def as_dict(self) -> dict[str, object]:
        """Return the shape the page reads."""
        told: dict[str, object] = {
            "alignment": alignment_dict(self.alignment),
            "rows": self.rows,
            "rate_hz": round(self.rate_hz, 3),
            "columns": [{"name": name, "role": role, "unit": unit} for name, role, unit in self.columns],
            "unread": list(self.unread),
            "compared": list(self.compared),
            "lost": [{**asdict(one), "share": round(one.share, 4)} for one in self.lost],
            "events": [{"t": t, "text": text} for t, text in self.events],
        }
        if not self.alignment.refused:
            told |= {"sigma_ends_s": self.sigma_ends_s, "drift_ppm": round(self.alignment.drift * 1e6, 3)}
        return told


def report(review: Review, log: OnboardLog, alignment: Alignment) -> LogReport:
    """Return what is shown of a log."""
    refused = bool(alignment.refused)
    dated = [] if refused else [(t, text) for t, text in log.events if np.isfinite(t)]
    at = alignment.to_reference(np.array([t for t, _ in dated])).tolist()
    return LogReport(
        alignment=alignment,
        rows=len(log.t),
        rate_hz=rate_hz(log),
        columns=tuple((column.name, column.role, column.unit) for column in log.columns),
        unread=log.unread,
        compared=tuple(pair.name for pair in pairs_of(review, log)),
        lost=() if refused else tuple(what_was_lost(review, log, alignment)),
        events=tuple((t, text) for t, (_, text) in zip(at, dated, strict=True)),
    )


def first_aligned(attempts: Sequence[Callable[[], LogReport]]) -> LogReport:
    """Return the first attempt that is not refused, or else what came of the first one. Raises LogProblem."""
    first: LogReport | LogProblem | None = None
    for attempt in attempts:
        outcome: LogReport | LogProblem
        try:
            outcome = attempt()
            if not outcome.alignment.refused:
                return outcome
        except LogProblem as problem:
            outcome = problem
        first = first or outcome
    assert first is not None  # there is one attempt at least
    if isinstance(first, LogProblem):
        raise first
    return first


def report_text(told: LogReport) -> str:
    """Return a report as lines for a terminal."""
    found = told.alignment
    lines = [f"{told.rows} rows, {round(told.rate_hz, 3)} a second; compared: {', '.join(told.compared) or 'nothing'}"]
    if found.refused:
        return "\n".join([*lines, f"not aligned: {found.refused}"])
    lines.append(
        f"recording time = {number(found.offset_s, 4)} s + log time x (1 {found.drift * 1e6:+.1f} ppm), "
        f"sure to {1000 * found.sigma_s:.1f} ms in the middle, "
        f"{1000 * told.sigma_ends_s:.1f} ms at the ends (one sigma), "
        f"match {found.match:.3f}, over {found.overlap_s:.0f} s"
    )
    for one in told.lost:
        lines.append(
            f"{one.role}: {100 * one.share:.1f} % not heard ({one.due - one.heard} of {one.due}), "
            f"longest gap {one.longest_gap_s:.2f} s, {one.filled} filled from the log"
        )
    return "\n".join(lines + [f"event at {t:.2f} s: {text}" for t, text in told.events])
