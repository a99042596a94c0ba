"""What became of every rehearsal, by firmware build: one line of JSON a run in a file beside the recordings.

A build is what the start packet says of itself; of a program on this computer the hash of its file as well, since who
changes a line and compiles anew forgets the version. A line that cannot be read is left out and counted: the file may
have been cut by a full disk, or be of a later version. What a run looked like lies beside its recording (`track_file`);
of runs before there was such a file no picture is kept.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from server.flight.proportion import upper_bound
from server.recording.segment import base_name

if TYPE_CHECKING:  # the page's server reads this file too, and needs nothing of the simulated vehicle
    from server.rehearsal.score import Run

FILE = "rehearsals.jsonl"
HASH_DIGITS = 8
COURSE_AT_MOST = 60


@dataclass(frozen=True)
class Past:
    """One run of the past. `utc` as ISO 8601, `build` the hash of the program or "", `wrong` what was wrong first or ""."""

    utc: str
    firmware: str
    build: str
    scenario: str
    seed: int
    passed: bool
    invalid: bool
    wrong: str
    recording: str


@dataclass(frozen=True)
class Mark:
    """One run as a mark among the others: `outcome` is "passed", "failed" or "invalid", `name` that of its recording."""

    utc: str
    scenario: str
    seed: int
    outcome: str
    wrong: str
    name: str


@dataclass(frozen=True)
class Build:
    """All runs of one build: valid ones, passed ones, the exact bound on how often it fails (one-sided, 95 %).

    `course` are the latest of them, the oldest first.
    """

    firmware: str
    build: str
    runs: int
    passed: int
    invalid: int
    fails_below: float
    first_utc: str
    last_utc: str
    worst: str
    course: tuple[Mark, ...] = ()


def build_of(program: Path | None) -> str:
    """Return the first digits of the SHA-256 of a program's file, "" for a computer at a cable. Raises OSError."""
    if program is None:
        return ""
    return hashlib.sha256(program.read_bytes()).hexdigest()[:HASH_DIGITS]


def past_of(run: Run, firmware: str, build: str, utc: str) -> Past:
    """Return what is kept of a run."""
    wrong = f"{run.wrongs[0].component.rstrip('.')}, {run.wrongs[0].kind}" if run.wrongs else ""
    said = wrong or ("" if run.passed or run.invalid else "not flown to the ground")
    return Past(utc, firmware, build, run.scenario, run.seed, run.passed, bool(run.invalid), said, run.recording)


def keep(file: Path, runs: Iterable[Past]) -> None:
    """Add runs; one write, so that two rehearsals at once leave whole lines. Raises OSError."""
    text = "".join(json.dumps(asdict(run)) + "\n" for run in runs)
    with file.open("a", encoding="utf-8") as out:
        out.write(text)


def read(file: Path) -> tuple[list[Past], int]:
    """Return the runs kept, oldest first, and how many lines could not be read; none where there is no file."""
    try:
        lines = file.read_text("utf-8", errors="replace").splitlines()
    except FileNotFoundError:
        return [], 0
    found, damaged = [], 0
    for line in lines:
        try:
            found.append(_past(json.loads(line)))
        except (ValueError, TypeError, KeyError):
            damaged += 1
    return found, damaged


def _past(said: object) -> Past:
    if not isinstance(said, dict):
        raise ValueError("no object")
    kinds = {"seed": int, "passed": bool, "invalid": bool}
    values = {name: said[name] for name in Past.__dataclass_fields__}
    if any(not isinstance(value, kinds.get(name, str)) for name, value in values.items()):
        raise ValueError("another kind of value")
    return Past(**values)


def by_build(runs: Sequence[Past]) -> list[Build]:
    """Return each build's runs taken together, the one rehearsed last first. Invalid runs count for nothing."""
    builds: dict[tuple[str, str], list[Past]] = {}
    for run in runs:
        builds.setdefault((run.firmware, run.build), []).append(run)
    return sorted(map(_build, builds.values()), key=lambda one: one.last_utc, reverse=True)


def _build(runs: Sequence[Past]) -> Build:
    valid = [run for run in runs if not run.invalid]
    passed = sum(run.passed for run in valid)
    wrongs = Counter(run.wrong for run in valid if not run.passed)
    return Build(
        firmware=runs[0].firmware,
        build=runs[0].build,
        runs=len(valid),
        passed=passed,
        invalid=len(runs) - len(valid),
        fails_below=upper_bound(len(valid) - passed, len(valid)) if valid else 1.0,
        first_utc=min(run.utc for run in runs),
        last_utc=max(run.utc for run in runs),
        worst=wrongs.most_common(1)[0][0] if wrongs else "",
        course=tuple(map(_mark, runs[-COURSE_AT_MOST:])),
    )


def _mark(run: Past) -> Mark:
    outcome = "invalid" if run.invalid else "passed" if run.passed else "failed"
    name = base_name(Path(run.recording)) if run.recording else ""
    return Mark(run.utc, run.scenario, run.seed, outcome, run.wrong, name)
