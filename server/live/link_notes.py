"""What the session says of the downlink: every state of it, an alarm from when a vehicle is lost to when it is back, and one
while what is heard obeys nothing of this station's.
"""

from __future__ import annotations

from server.bridge.link_watch import LinkState
from server.live.note_writer import NoteWriter
from server.recording.records import Kind
from server.uplink.addressee import Addressee

KEY = "link lost"
DEAF_KEY = "deaf"
DEAF_ADVICE = "Until then it can be made safe by hand only: use the arming key."
GOOD = ("up", "waiting")
ADVICE = "Check radio, cable and antenna; treat every channel as armed."
BY_HAND = "On the ground keep clear; it can be made safe by hand only, as the range safety officer decides."


class LinkNotes:
    """Notes the states of one port."""

    def __init__(self, notes: NoteWriter, port: str, blind: str) -> None:
        """`blind` says how often safe all is sent to a vehicle that is not heard; "" where it has no such command."""
        sent = f"Safe all goes out blind, {blind}; nothing confirms it." if blind else ""
        self._advice = " ".join(part for part in (ADVICE, sent, BY_HAND) if part)
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
            self._notes.alarm(KEY, "warning", f"link lost: {state.sentence}", {"state": "raised", "advice": self._advice})


class DeafNotes:
    """Raises an alarm while Safe all would reach nobody, and clears it when the own vehicle is heard."""

    def __init__(self, notes: NoteWriter, addressee: Addressee) -> None:
        self._notes = notes
        self._addressee = addressee
        self._told: str | None = None

    def look(self) -> None:
        """Look whether that has changed."""
        why = self._addressee.why_deaf
        if why == self._told:
            return
        self._told = why
        if why is None:
            self._notes.alarm(DEAF_KEY, "info", "the vehicle obeys this station", {"state": "cleared"})
        else:
            body = {"state": "raised", "advice": DEAF_ADVICE}
            self._notes.alarm(DEAF_KEY, "warning", f"nothing that is sent is obeyed, Safe all neither: {why}", body)
