"""What the station notes in the session, in the shapes that recordings have: commands, permits, links, acts.

Every note goes through the record gate, so page, replay and report read the same. A command's or permit's view becomes
JSON here, on its way into the recording.
"""

from __future__ import annotations

from collections.abc import Mapping

from server.live.record_gate import RecordGate
from server.recording.clock import Clock
from server.recording.recorder_state import RecorderState
from server.recording.records import Kind
from server.uplink.command_entry import CommandView, Reply
from server.uplink.command_state import STATE_TEXT, UNSENT, State
from server.uplink.permits import PermitState, PermitView
from server.uplink.round_trip import ASKED_BY

PERMIT_TEXT = {
    PermitState.ARMED: "ready, waiting for confirmation",
    PermitState.OPEN: "confirmed",
    PermitState.ENDED: "ended",
}


class NoteWriter:
    """Writes notes, stamped with the present moment."""

    def __init__(self, gate: RecordGate, clock: Clock) -> None:
        self._gate = gate
        self._clock = clock

    def note(self, topic: str, key: str, severity: str, text: str, body: Mapping[str, object]) -> None:
        """Put a note under a topic of its own into the session; `pipeline.OWN_TOPICS` lists the topics there are."""
        note = {"topic": topic, "key": key, "severity": severity, "text": text, "body": dict(body)}
        self._gate.put(Kind.NOTE, self._clock.monotonic_ns(), note)

    def put(self, kind: Kind, key: str, severity: str, text: str, body: Mapping[str, object], topic: str = "") -> None:
        """Put a record of a kind that is a topic by itself into the session; `topic` names another one."""
        note: dict[str, object] = {"key": key, "severity": severity, "text": text, "body": dict(body)}
        if topic:
            note["topic"] = topic
        self._gate.put(kind, self._clock.monotonic_ns(), note)

    def recording(self, state: RecorderState) -> None:
        """The recording stands thus."""
        well = state.state == "recording"
        body = {"state": state.state, "sentence": state.sentence, "file": state.path.name}
        text = "" if well else state.sentence
        self.put(Kind.LINK, "recording", "info" if well else "warning", text, body, topic="recording")

    def alarm(self, key: str, severity: str, text: str, body: Mapping[str, object]) -> None:
        """An alarm is raised or cleared, as `body` says under "state"."""
        self.put(Kind.ALARM, key, severity, text, body)

    def fault(self, key: str, text: str, error: str) -> None:
        """A part of the station raised an exception of the class `error`."""
        self.note("fault", key, "caution", text, {"error": error})

    def authority(self, holder: str | None, text: str) -> None:
        """Command authority went to somebody, or to nobody."""
        self.put(Kind.LINK, "authority", "info", text, {"holder": holder}, topic="authority")

    def act(self, operator: str, what: str, reply: Reply, body: Mapping[str, object]) -> None:
        """A person did something; it becomes an event where it was refused."""
        text = "" if reply.ok else f"{operator}: {what} refused: {reply.sentence}"
        self.put(Kind.ACT, operator, "info" if reply.ok else "caution", text, body)

    def command(self, view: CommandView) -> None:
        """A command looks different now."""
        self._outcome(view.as_dict())

    def permit(self, view: PermitView) -> None:
        """A plan's permit looks different now."""
        why = f": {view.reason}" if view.reason else ""
        self.note("permit", view.id, "info", f"{view.title} {PERMIT_TEXT[view.state]}{why}", view.as_dict())

    def left_open(self, body: Mapping[str, object], may_have_left: bool) -> None:
        """Close a command that an earlier part of the session left open, `body` being the last that was said of it.

        Nothing is sent again after a restart: what had not left is abandoned, what had, or may have, is unknown.
        """
        state = State.ABANDONED if body.get("state") in UNSENT and not may_have_left else State.UNKNOWN
        text = f"{STATE_TEXT[state]}: the station was restarted"
        gone = {"state": state.value, "state_text": text, "expires_rx": None, "earliest_confirm_rx": None}
        self._outcome({**body, **gone})

    def _outcome(self, body: Mapping[str, object]) -> None:
        if body["operator"] == ASKED_BY:  # a state, and no event: what it measures is shown where it counts
            self.put(Kind.OUTCOME, str(body["id"]), "info", "", body)
            return
        text = f"{body['title']} {body['args_text']}".rstrip() + f": {body['state_text']}"
        severity = "warning" if body["state"] in (State.UNKNOWN, State.FAILED) else "info"
        self.put(Kind.OUTCOME, str(body["id"]), severity, text, body)
