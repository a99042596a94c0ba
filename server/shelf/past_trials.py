"""Past bench trials: what each recording on the shelf says of the trials that were run in it.

A trial's end stands in its session as a note of the topic "trial" with a result. What was read of a file is kept as long as
the file does not change; a file that cannot be opened tells of no trials.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TypedDict

from protocol.dictionary_file import parse_dictionary
from protocol.errors import DictionaryError
from server.recording.records import Kind
from server.recording.session_file import Session, SessionError, open_session
from server.shelf.shelf import Shelf
from server.timestamps import NS_PER_S

TOPIC = "trial"


class PastTrial(TypedDict):
    """One trial that ended: `bound` is the one-sided exact bound on its failure rate, `ended_utc` to the second."""

    session: str
    plan: str
    ended_utc: str
    cycles: int
    runs: int
    passed: int
    bound: float
    outcome: str
    safe: bool


@dataclass
class PastTrials:
    """The trials in the recordings of a shelf. Several threads may ask: at worst a file is read twice."""

    shelf: Shelf
    _known: dict[str, tuple[str, str, list[PastTrial]]] = field(default_factory=dict)  # name -> (stamp, vehicle, trials)

    def of(self, vehicle: str, leave_out: str | None, enough: Callable[[], bool] = lambda: False) -> dict[str, object]:
        """Return {"trials": newest first, "whole": bool} of a vehicle by its dictionary's name for it.

        `leave_out` is the session that is being recorded. Once `enough()` says so, files not read yet are left for the next
        time, and the answer is not whole.
        """
        found: list[PastTrial] = []
        whole = True
        for place in self.shelf.places():
            if place.name == leave_out or place.sample:
                continue
            known = self._known.get(place.name)
            if known is None or known[0] != place.stamp:
                if enough():
                    whole = False
                    continue
                known = (place.stamp, *trials_in(place.path, place.name))
                self._known[place.name] = known
            if known[1] == vehicle:
                found += known[2]
        return {"trials": sorted(found, key=lambda one: one["ended_utc"], reverse=True), "whole": whole}


def trials_in(path: Path, name: str) -> tuple[str, list[PastTrial]]:
    """Return the vehicle and the trials that ended in a session; ("", []) for one without, or that cannot be opened."""
    try:
        session = open_session(path)
        trials = _ended(session, name)
        return (_vehicle(session), trials) if trials else ("", [])
    except (SessionError, OSError):
        return "", []


def _vehicle(session: Session) -> str:
    with suppress(DictionaryError):
        return parse_dictionary(session.header.dictionary or "").vehicle
    return ""


def _ended(session: Session, name: str) -> list[PastTrial]:
    found = []
    for record in session.records.of_kind(Kind.NOTE):
        with suppress(ValueError):
            note = record.note()
            body = note.get("body")
            if note.get("topic") != TOPIC or not isinstance(body, Mapping):
                continue
            trial = _trial(body, name, session.utc_ns(record.mono_ns))
            if trial is not None:
                found.append(trial)
    return found


def _trial(body: Mapping[str, object], session: str, utc_ns: int) -> PastTrial | None:
    """Return what a note tells of a trial's end; None while it runs, and for what is not as written here."""
    plan, result = body.get("plan"), body.get("result")
    if not isinstance(plan, Mapping) or not isinstance(result, Mapping):
        return None
    cycles, runs, passed, bound = plan.get("cycles"), result.get("runs"), result.get("passed"), result.get("upper_bound")
    if not (
        isinstance(cycles, int) and isinstance(runs, int) and isinstance(passed, int) and isinstance(bound, int | float)
    ):
        return None
    return {
        "session": session,
        "plan": str(plan.get("name")),
        "ended_utc": datetime.fromtimestamp(utc_ns / NS_PER_S, UTC).isoformat(timespec="seconds"),
        "cycles": cycles,
        "runs": runs,
        "passed": passed,
        "bound": float(bound),
        "outcome": str(result.get("outcome")),
        "safe": result.get("safe") is True,
    }
