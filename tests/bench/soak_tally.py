"""What became of every command of a soak, counted from outside: frames, acts, executions and views, no queue code.

A frame is read by the independent decoder of the command oracles; an execution is what the vehicle's order desk did; an
outcome is every view the queue ever showed of a command, so that a wrong one counts even if it is put right later.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from tests.server.uplink.queue_oracles import SAFES, Decoded, Oracle, decode
from tests.server.uplink.queue_world import Act, Disarmed, Sent, World

SAYS_DONE = frozenset({"completed", "verified"})
SAYS_NOT_DONE = frozenset({"refused", "cancelled", "expired", "abandoned"})
OPEN = frozenset({"armed", "queued", "sent", "accepted"})
EARLIEST_S, LATEST_S = 0.3 - 1e-6, 10.0 + 1e-6


@dataclass(frozen=True)
class Executed:
    """The vehicle did something: in which start, under which counter, what."""

    boot_id: int
    counter: int
    command: str

    @property
    def asked(self) -> tuple[int | None, int]:
        """The start and the counter it was asked under; Safe all is asked of no start, and may be done again."""
        return (None if self.command == SAFES else self.boot_id), self.counter


@dataclass(frozen=True)
class Frame:
    """A frame seen for the first time."""

    data: bytes
    decoded: Decoded
    safes_all: bool


class Tally:
    """Call `look` after each step, then clear the world's log and changes; `finish` at the end."""

    def __init__(self, world: World) -> None:
        self._world = world
        self.frames = self.hazardous = 0
        self.proof_s: list[float] = []
        self._frames: dict[int, Frame] = {}
        self._dead: set[int] = set()  # counters that something has disarmed: not to be sent again
        self._alive: set[int] = set()
        self._armed: dict[str, Act] = {}
        self._confirmed: list[Act] = []
        self._done: Counter[tuple[int | None, int]] = Counter()
        self._seen_executions = 0
        self._shown: defaultdict[tuple[int, str], set[str]] = defaultdict(set)
        self._last: dict[tuple[int, str], str] = {}
        self.without_two_acts = self.two_frames = self.again_after_disarm = 0
        self.not_as_sent = self.done_unexecuted = self.not_done_executed = self.left_open = 0

    @property
    def sent(self) -> int:
        """How many commands have left, each counted once."""
        return len(self._frames)

    @property
    def executions(self) -> int:
        """How many commands the vehicle executed."""
        return len(self._done)

    def must_be_nil(self) -> dict[str, int]:
        """Return what must all be 0."""
        return {
            "executed twice": sum(number - 1 for (boot_id, _), number in self._done.items() if boot_id is not None),
            "executed otherwise than sent": self.not_as_sent,
            "guarded or hazardous frames without their two acts": self.without_two_acts,
            "counters used for two different frames": self.two_frames,
            "frames sent again after something disarmed": self.again_after_disarm,
            "shown as done, never executed": self.done_unexecuted,
            "shown as not done, yet executed": self.not_done_executed,
            "left without an outcome": self.left_open,
        }

    def outcomes(self) -> Counter[str]:
        """Return how many commands ended in which state."""
        return Counter(self._last.values())

    def look(self) -> None:
        """Count what is new."""
        for executed in self._world.vehicle.executed[self._seen_executions :]:
            self._done[executed.asked] += 1
        for item in self._world.log:
            if isinstance(item, Sent):
                self._take_frame(item)
            elif isinstance(item, Act):
                self._take_act(item)
            elif isinstance(item, Disarmed):
                self._disarm()
        for executed in self._world.vehicle.executed[self._seen_executions :]:
            self._compare(executed)
        self._seen_executions = len(self._world.vehicle.executed)
        for generation, view, _ in self._world.changes:
            self._take_view((generation, str(view["id"])), view)

    def close_generation(self, unsent: Iterable[str], abandoned: str) -> None:
        """The station ends: as it does when it starts again, close what it left open."""
        for where, state in self._last.items():
            if state in OPEN:
                self._last[where] = str(abandoned) if state in unsent else "unknown"
                self._shown[where].add(self._last[where])

    def finish(self) -> None:
        """Judge what was shown against all that was executed in the end."""
        for where, shown in self._shown.items():
            self.not_done_executed += bool(shown & SAYS_NOT_DONE) and self._was_executed(where)
        self.left_open = sum(state in OPEN for state in self._last.values())

    # ------------------------------------------------------------ inside

    def _take_frame(self, sent: Sent) -> None:
        self.frames += 1
        decoded = decode(self._world, sent.frame)
        known = self._frames.get(decoded.counter)
        if known is not None:
            self.two_frames += known.data != sent.frame
            self.again_after_disarm += decoded.counter in self._dead and not known.safes_all
            return
        described = self._world.dictionary.commands[decoded.command]
        self._frames[decoded.counter] = Frame(sent.frame, decoded, described.safes_all)
        self._alive.add(decoded.counter)
        self.hazardous += described.hazard == "hazardous"
        if described.hazard != "routine":
            acts = next((a for a in self._confirmed if a.command == decoded.command and _same(a, decoded)), None)
            self.without_two_acts += acts is None
            if acts is not None:
                self._confirmed.remove(acts)

    def _take_act(self, act: Act) -> None:
        if act.kind == "arm" and act.ok and act.operator == act.holder:
            self._armed[str(act.id)] = act
        elif act.kind == "confirm" and act.ok:
            first = self._armed.pop(str(act.id), None)
            same = first is not None and (first.operator, first.command, first.args) == (act.operator, act.command, act.args)
            if same and act.operator == act.holder and EARLIEST_S <= act.at_s - first.at_s <= LATEST_S:
                self._confirmed.append(act)
        elif act.kind == "cancel" and act.ok:
            self._armed.pop(str(act.id), None)

    def _disarm(self) -> None:
        self._armed.clear()
        self._confirmed.clear()
        self._dead |= self._alive
        self._alive.clear()

    def _compare(self, executed: Executed) -> None:
        frame = self._frames.get(executed.counter)
        asked = frame and (frame.decoded.boot_id, frame.decoded.command)
        self.not_as_sent += asked != (executed.asked[0], executed.command)

    def _take_view(self, where: tuple[int, str], view: dict[str, object]) -> None:
        state = str(view["state"])
        if state in SAYS_DONE and not self._shown[where] & SAYS_DONE:
            self.done_unexecuted += not self._was_executed(where)
        self._shown[where].add(state)
        self._last[where] = state
        steps = {str(step["step"]): step["rx"] for step in view["steps"]}
        if state == "verified":
            self.proof_s.append(steps["verified"] - steps.get("confirmed", steps["asked"]))

    def _was_executed(self, where: tuple[int, str]) -> bool:
        return self._world.disk.intents.get(where) in self._done


def _same(act: Act, decoded: Decoded) -> bool:
    return Oracle._same(act.args, decoded.args)
