"""What a session held before a crash of the station: shown again, and counted on from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from server.analysis.alarms import AlarmBoard
from server.analysis.pipeline import Pipeline
from server.live.store import LiveStore
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_file import open_session
from server.uplink.command_state import UNSENT, State

LEFT_OPEN = UNSENT | {State.SENT, State.ACCEPTED}


@dataclass(frozen=True)
class Earlier:
    """What the parts of this session before a crash leave: the last command's number, marks, commands not closed.

    `begun` holds the numbers of all whose intent was recorded: from then on the bytes may have left, and the note that
    they did may not have come to the disk any more.
    """

    last_id: int = 0
    marks: int = 0
    left_open: tuple[Mapping[str, object], ...] = ()
    begun: frozenset[object] = frozenset()


def take_up_earlier_parts(recorder: Recorder, pipeline: Pipeline, store: LiveStore, alarms: AlarmBoard) -> Earlier:
    """Show what the session held before this part, if there was any, and return what counts on from there."""
    if recorder.header.part == 1:
        return Earlier()
    session = open_session(recorder.state.path)
    output = pipeline.take_up(session.records)
    store.add(output.rows, output.entries)
    alarms.take(output.entries)
    commands = {entry.key: entry.body for entry in output.entries if entry.topic == "command"}
    return Earlier(
        last_id=max((int(key[1:]) for key in commands if key[1:].isdigit()), default=0),
        marks=sum(entry.topic == "mark" for entry in output.entries),
        left_open=tuple(body for body in commands.values() if body.get("state") in LEFT_OPEN),
        begun=frozenset(record.note().get("id") for record in session.records.of_kind(Kind.INTENT)),
    )
