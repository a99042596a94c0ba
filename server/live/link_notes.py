"""What the session says of the downlink: every state of it, and an alarm from when a vehicle is lost to when it is back."""

from __future__ import annotations

from server.bridge.link_watch import LinkState
from server.live.note_writer import NoteWriter
from server.recording.records import Kind

KEY = "link lost"
GOOD = ("up", "waiting")
ADVICE = "Check radio, cable and antenna; treat every channel as armed."


class LinkNotes:
    """Notes the states of one port."""

    def __init__(self, notes: NoteWriter, port: str) -> None:
        self._notes = notes
        self._port = port
        self._alarm = False

    def write(self, state: LinkState, heard_before: bool, closing: bool) -> None:
        """Note a new state; `heard_before` tells that the vehicle was heard, `closing` that the station ends the link."""
        body = {"state": state.state, "sentence": state.sentence, "port": self._port}
        self._notes.put(Kind.LINK, "port", "info" if state.state in GOOD else "caution", state.sentence, body)
        if state.state == "up" and self._alarm:
            self._alarm = False
            self._notes.alarm(KEY, "info", "the vehicle is heard again", {"state": "cleared"})
        elif state.state not in GOOD and heard_before and not self._alarm and not closing:
            self._alarm = True
            self._notes.alarm(KEY, "warning", f"link lost: {state.sentence}", {"state": "raised", "advice": ADVICE})
