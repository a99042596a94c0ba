"""A log of a flight as a recording: what a vehicle of its dictionary would have sent, written by the recorder itself."""

from __future__ import annotations

from pathlib import Path

from protocol.dictionary_file import parse_dictionary
from server.recording.clock import FakeClock, SystemClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_header import Software, make_header
from server.timestamps import NS_PER_S
from server.workbench.dictionary_draft import Draft, DraftProblem, lines_of

SYNC_EVERY = 2000


def record_log(draft: Draft, dictionary_text: str, folder: Path, software: Software) -> Path:
    """Write the logs of a draft as a session into `folder`, under the first log's name; return its file.

    `dictionary_text` is the draft's or what its owner made of it. Raises DraftProblem, DictionaryError and RecorderFailed.
    """
    lines = lines_of(draft)
    parse_dictionary(dictionary_text, "the dictionary")
    name = "".join(c if c.isalnum() or c in "-_" else "-" for c in draft.packets[0].table.path.stem)[:60] or "log"
    if (folder / f"{name}.pcapng").exists():
        raise DraftProblem(f"{folder / name}.pcapng exists already; nothing is overwritten.")
    folder.mkdir(parents=True, exist_ok=True)
    clock = FakeClock(wall_ns=SystemClock().wall_ns())
    header = make_header(clock, software=software, dictionary=dictionary_text, vehicle={}, site={}, source="log")
    recorder = Recorder(folder, name, header, clock=clock)
    for number, (t, line) in enumerate(lines, 1):
        put = recorder.append if number % SYNC_EVERY else recorder.append_synced  # a long log does not outrun the disk
        put(Kind.RECEIVED, header.monotonic_ns + round(t * NS_PER_S), line)
    clock.advance(lines[-1][0])
    return recorder.close()
