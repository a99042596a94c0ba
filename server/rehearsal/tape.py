"""What crosses the cable in one rehearsal, kept as it goes and written as a session afterwards, marked as a rehearsal.

Its times are the rehearsal's: a program behind a pipe flies a minute in less than a second, and a replay shall take the
minute. It is written when the run is over, so that the disk takes nothing of the run's own time.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

from server.recording.clock import Clock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_header import SessionHeader


@dataclass
class Tape:
    """Bytes as they crossed: (whether sent, us since the beginning, bytes). `time_us` is the time of what comes next."""

    time_us: int = 0
    kept: list[tuple[bool, int, bytes]] = field(default_factory=list)

    def keep(self, sent: bool, data: bytes) -> None:
        """Keep what has just crossed."""
        self.kept.append((sent, self.time_us, data))


def write_tape(tape: Tape, folder: Path, name: str, header: SessionHeader, rehearsal: str | None, clock: Clock) -> Path:
    """Write a tape as a session of its own and return its file; `rehearsal` says which it is. Raises RecorderFailed."""
    marked = replace(header, rehearsal=rehearsal)
    recorder = Recorder(folder, name, marked, clock=clock)
    latest_us = 0
    for sent, time_us, data in tape.kept:
        latest_us = max(latest_us, time_us)  # a clock that was put back on purpose moves no record
        recorder.append(Kind.SENT if sent else Kind.RECEIVED, marked.origin_monotonic_ns + latest_us * 1000, data)
    return recorder.close()
