"""Where a recording stands, as its recorder tells it: the state, its sentence, and the failure of one record."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from server.problems import Problem


class RecorderFailed(Problem):
    """A record could not be put on the disk; the text is one plain sentence."""


@dataclass(frozen=True, slots=True)
class RecorderState:
    """Where the recording stands.

    `state` is "recording", "stopped" (trying to go on) or "closed". `bytes_written` counts all parts of this recorder,
    `synced_ns` is the monotonic time of the last successful flush, `backlog` the number of records not known to be on
    the disk, `dropped` the number of records given up because the disk did not take them.
    """

    state: str
    sentence: str
    path: Path
    bytes_written: int
    synced_ns: int
    backlog: int
    dropped: int = 0


OnState = Callable[[RecorderState], None]  # told every change of state or file, from the writer thread


def sentence(state: str, path: Path, failure: str, lost: int, is_dead: bool, retry_s: float) -> str:
    """Say a state in words; `lost` counts records not known to be on the disk, `is_dead` is when nothing more is tried."""
    if state == "recording":
        return f"Recording to {path.name}."
    if state == "closed":
        if failure:
            return f"Recording ended with {lost} records not on the disk: {failure}."
        return f"Recording closed: {path.name}."
    if is_dead:
        return f"NOT RECORDING: {failure}. Start the station anew: this one will not record any more."
    return f"NOT RECORDING: {failure}. The last minute is kept in memory; a new file is tried every {retry_s:g} s."


def resumed(path: Path, stopped_ns: int, resumed_ns: int) -> Mapping[str, object]:
    """Return the note of a recording that went on in a new file after it had stopped; times monotonic."""
    return {
        "event": "recording_resumed",
        "sentence": f"Recording went on in {path.name} after it had stopped.",
        "stopped_mono_ns": stopped_ns,
        "resumed_mono_ns": resumed_ns,
    }
