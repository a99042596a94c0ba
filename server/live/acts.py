"""What persons do at their pages: commands, command authority, marks, alarms seen. Each act is kept in the session.

Authority changes here and nowhere else, and the command queue is told of every change, since any change disarms.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping

from server.analysis.alarms import TOPIC as ACKNOWLEDGED
from server.analysis.alarms import AlarmBoard
from server.live.command_executor import CommandExecutor
from server.live.note_writer import NoteWriter
from server.recording.records import Kind
from server.uplink.authority import Authority
from server.uplink.command_entry import Reply
from server.uplink.command_queue import CommandQueue

ALARMS_AT_ONCE = 100
ARGUMENTS_AT_MOST = 256  # more than a frame has bytes for

_log = logging.getLogger(__name__)

Asked = Callable[[CommandQueue, float], Reply]


class Acts:
    """The acts of every signed-in operator of one station."""

    def __init__(
        self,
        executor: CommandExecutor,
        notes: NoteWriter,
        alarms: AlarmBoard,
        now_s: Callable[[], float],
        on_authority: Callable[[], None],
        marks: int,
        safing: frozenset[str] = frozenset(),
    ) -> None:
        """`on_authority` is called after every change of the holder; `marks` counts those of the session's earlier parts.

        `safing` names the commands that make everything safe.
        """
        self.authority = Authority()
        self._executor = executor
        self._notes = notes
        self._alarms = alarms
        self._now_s = now_s
        self._on_authority = on_authority
        self._marks = marks
        self._safing = safing

    def is_safe_all(self, kind: str, request: Mapping[str, object]) -> bool:
        """Whether this act asks for Safe all, which nothing may keep from leaving."""
        return kind == "safe_all" or (kind == "send" and text_of(request.get("command")) in self._safing)

    def do(self, operator: str, kind: str, request: Mapping[str, object]) -> Reply:
        """Carry out one act on commands or authority; it is recorded, whatever comes of it."""
        command, args, id = text_of(request.get("command")), arguments_of(request.get("args")), text_of(request.get("id"))
        body = {"act": kind, "operator": operator, "command": command, "args": args, "id": id}

        def note(reply: Reply) -> None:
            try:
                self._notes.act(operator, f"{kind} {command}", reply, {**body, "ok": reply.ok, "sentence": reply.sentence})
            except Exception:
                if not self.is_safe_all(kind, request):
                    raise
                _log.exception("Safe all could not be noted")

        on_commands: dict[str, Asked] = {
            "send": lambda queue, now_s: queue.submit(command, args, operator, now_s),
            "arm": lambda queue, now_s: queue.arm(command, args, operator, now_s),
            "confirm": lambda queue, now_s: queue.confirm(id, command, args, operator, now_s),
            "cancel": lambda queue, now_s: queue.cancel(id, operator, now_s),
            "safe_all": lambda queue, now_s: queue.safe_all(operator, now_s),
            "allow_unbound": lambda queue, now_s: queue.allow_unbound(operator, now_s),
        }
        if kind in on_commands:
            reply = self._executor.ask(on_commands[kind], note)
            if kind == "allow_unbound" and reply.ok:
                self._on_authority()  # every page shows whether leave is still asked
            return reply
        reply = self._on_authority_act(operator, kind, text_of(request.get("to")))
        note(reply)
        return reply

    def mark(self, operator: str, text: str) -> Reply:
        """Put a mark into the session; nothing is transmitted."""
        self._marks += 1
        self._notes.put(Kind.MARK, f"m{self._marks}", "info", text[:200] or "mark", {"operator": operator})
        return Reply(True, "marked")

    def acknowledge(self, operator: str, wanted: object) -> Reply:
        """A person has seen these alarms; `wanted` holds key and `raised_rx` of each as the page showed it.

        One that was raised anew or became worse meanwhile has not been seen, and is not acknowledged.
        """
        listed = [one for one in wanted[:ALARMS_AT_ONCE] if isinstance(one, Mapping)] if isinstance(wanted, list) else []
        seen = self._alarms.to_acknowledge(listed)
        for entry in seen:
            body = {"operator": operator, "raised_rx": entry.rx_s, "severity": entry.severity}
            self._notes.note(ACKNOWLEDGED, entry.key, "info", f"{operator} has seen: {entry.text}", body)
        return Reply(bool(seen), "seen" if seen else "no such alarm stands any more, or it was raised anew: look again")

    # ------------------------------------------------------------ authority

    def sign_in(self, operator: str) -> None:
        """An operator's page arrived."""
        self._changed(self.authority.sign_in(operator, self._now_s()), f"{operator} holds command authority")

    def leave(self, operator: str) -> None:
        """An operator's page closed."""
        self._changed(self.authority.leave(operator), f"{operator}'s page closed: nobody holds command authority")

    def tick(self) -> None:
        """Let time pass: a silent page loses authority."""
        silent = self.authority.tick(self._now_s())
        self._changed(silent, "the operator's page went silent: nobody holds command authority")

    def _on_authority_act(self, operator: str, kind: str, to: str) -> Reply:
        if kind == "take":
            self._changed(self.authority.take(operator, self._now_s()), f"{operator} took command authority")
            holds = self.authority.holder == operator
            return Reply(holds, "you hold command authority" if holds else "you are not signed in")
        if kind == "release":
            self._changed(self.authority.release(operator), f"{operator} handed command authority back")
            return Reply(True, "you no longer hold command authority")
        if kind == "give":
            given = self.authority.give(operator, to)
            self._changed(given, f"{operator} handed command authority over to {to}")
            return Reply(given, f"{to} holds command authority" if given else f"{to or 'nobody'} cannot be given it")
        return Reply(False, f"there is no act '{kind}'")

    def _changed(self, changed: bool, text: str) -> None:
        if not changed:
            return
        holder = self.authority.holder
        self._executor.ask(
            lambda queue, now_s: queue.on_holder(holder, now_s),
            note=lambda _: self._notes.authority(holder, text),
        )
        self._on_authority()


# ---------------------------------------------------------------- requests, made fit to be recorded and shown


def text_of(value: object) -> str:
    """Return a name from a request; anything but a text is nothing."""
    return "".join(c for c in value[:40] if c.isprintable()) if isinstance(value, str) else ""


def arguments_of(value: object) -> dict[str, object]:
    """Return command arguments from a request: numbers by name; all else becomes a text, which the queue refuses."""
    if value is None or value == {}:
        return {}
    if not isinstance(value, Mapping):
        return {"args": "not a table"}
    return {text_of(name): _argument(number) for name, number in list(value.items())[:ARGUMENTS_AT_MOST]}


def _argument(value: object) -> object:
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= 1e15:  # not NaN either
        return value
    return value[:20] if isinstance(value, str) else f"a {type(value).__name__}"
