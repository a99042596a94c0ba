"""The station on the table: the real CommandQueue, Addressee and Link, the air, the disk and a board's telemetry as models.

What telemetry shows beside answers and identities is told to the queue as a reading of now, not as bytes.
"""

from __future__ import annotations

import random
from collections import Counter, deque
from typing import Protocol

from protocol.errors import OurMistake
from protocol.identity import Identity
from protocol.link import NEED_DATA, Link, PacketReceived, VehicleRestarted
from protocol.packets import TIME_MODULUS_MS
from server.telemetry.conditions import Reading
from server.uplink.addressee import Addressee
from server.uplink.command_entry import Changed, Prepare, Reply, Transmit
from server.uplink.command_queue import CommandQueue
from server.uplink.key_names import KeyProblem
from tests.attack.bench import OURS, Table
from tests.attack.oracle import SAFES
from tests.attack.vehicles import Vehicle
from tests.server.uplink.queue_world import KEY, Disk, dictionary

SAID_FOR_S = 5.0
PERSON = "Ada 1"
BEFORE_IT_LEFT = ("cancelled", "expired", "abandoned", "armed", "queued")


class Upward(Protocol):
    """The way up."""

    def up(self, frame: bytes, now_s: float, to: int, safes: bool) -> None:
        """Send a frame up to a vehicle; `safes`: it is a Safe all."""


class Station:
    """One start of the station, and what it shows."""

    def __init__(self, table: Table, disk: Disk, air: Upward, shown: Shown, now_s: float) -> None:
        self.disk, self._air, self._shown, self.now_s = disk, air, shown, now_s
        self._table = table
        disk.crash()
        self.addressee = Addressee(dictionary(), KEY)
        self.queue = CommandQueue(dictionary(), self, self.addressee)
        self._link = Link(dictionary(), KEY)
        self.values = board_values()
        self.said: tuple[int, int, float] | None = None  # vehicle, boot id, when: the newest that was signed, in truth
        self.holds_back = False
        self.held: list[bytes] = []
        self.sent_frames: deque[bytes] = deque(maxlen=200)
        self.queue.on_holder(PERSON, now_s)
        self.queue.on_link(True, now_s)
        self.carry_out()

    def reading(self, role: str, now_s: float) -> Reading | None:
        """Answer the queue: telemetry of now, from the model of the board."""
        value = self.values.get(role)
        return None if value is None else Reading(value, now_s)

    # ------------------------------------------------------------ acts, and what comes down

    def act(self, command: str, args: dict[str, float], hazard: str, rng: random.Random) -> Reply:
        """One or two acts of a person."""
        self.queue.trips.note(self.now_s - 0.1, self.now_s)
        if hazard == "routine":
            reply = self.queue.submit(command, args, PERSON, self.now_s)
        else:
            reply = self.queue.arm(command, args, PERSON, self.now_s)
            if reply.ok and reply.id is not None:
                self.now_s += rng.uniform(0.31, 1.0)
                reply = self.queue.confirm(reply.id, command, args, PERSON, self.now_s)
        self.carry_out()
        return reply

    def tick(self, now_s: float) -> None:
        """Let time pass."""
        self.now_s = now_s
        self.queue.tick(now_s)
        self.carry_out()

    def hears(self, data: bytes, speaker: Vehicle | None = None, by_other_words: bool = False) -> None:
        """Take downlink bytes as the live station does; `speaker` is who holds the key and says in them who it is."""
        self._link.receive_data(data, self.now_s)
        restarted, packets = False, []
        while (event := self._link.next_event()) is not NEED_DATA:
            restarted |= isinstance(event, VehicleRestarted)
            if isinstance(event, PacketReceived) and not event.late:
                packets.append(event)
        if restarted or self._link.boot_id != self.queue.boot_id:
            self.queue.on_boot_id(self._link.boot_id, self.now_s, restarted)
        for event in packets:
            if event.packet.name == "identity":
                said, vehicle_ms = Identity.of(event.values), event.time_ms % TIME_MODULUS_MS
                if speaker is not None:
                    self.said = (0 if by_other_words else speaker.vehicle_id, said.boot_id, self.now_s)
                self.queue.on_identity(said, vehicle_ms, self.now_s)
            elif event.packet.name == "answer":
                values = dict(zip((c.name for c in event.packet.channels), event.values, strict=True))
                stage, reason = (event.packet.channel(name).text_of(values[name]) for name in ("stage", "reason"))
                told = int(values["boot_id"]), int(values["counter"])
                self.queue.on_answer(*told, str(stage), str(reason), self.now_s)
        self.carry_out()

    def carry_out(self) -> None:
        """Do what the queue wants done."""
        while actions := self.queue.take_actions():
            for action in actions:
                if isinstance(action, Changed):
                    self._shown.change(action.view.id, action.view.as_dict())
                elif isinstance(action, Prepare):
                    self._prepare(action)
                elif isinstance(action, Transmit):
                    self._transmit(action)

    # ------------------------------------------------------------ inside

    def _prepare(self, action: Prepare) -> None:
        try:
            try:
                counter = self.disk.take()
            except KeyProblem:
                if action.must_be_durable:
                    raise
                counter = self.disk.take_spare()
            frame = self._link.send(action.command, action.args, counter, self.addressee.valid_until_ms(self.now_s))
        except (KeyProblem, OurMistake) as error:
            self.queue.on_prepare_failed(action.id, str(error), self.now_s)
            return
        self._shown.intends(action.id, counter)
        ours = self._table.vehicles[OURS].vehicle_id
        self._table.oracle.leaves(frame, ours, action.command, action.args.values(), self.now_s)
        self.queue.on_prepared(action.id, counter, frame, self.now_s)

    def _transmit(self, action: Transmit) -> None:
        oracle, ours = self._table.oracle, self._table.vehicles[OURS]
        left = oracle.left[action.frame.strip(b"\0")]
        if left.command != SAFES:
            known = self.said is not None and self.said[:2] == (ours.vehicle_id, left.boot)
            if not known or self.said is None or self.now_s - self.said[2] > SAID_FOR_S + 1e-6:
                oracle.fault("left for a vehicle that did not say so", f"{left} at {self.now_s:.2f}, heard {self.said}")
        self.queue.on_written(action.id, None, self.now_s)
        self.sent_frames.append(action.frame)
        if self.holds_back:
            self.held.append(action.frame)
            return
        self._air.up(action.frame, self.now_s, OURS, left.command == SAFES)


class Shown:
    """What the page has shown of each command, against what the vehicles did."""

    def __init__(self, table: Table) -> None:
        self._oracle = table.oracle
        self.states: Counter[str] = Counter()
        self._counters: dict[tuple[int, str], int] = {}
        self._refused: dict[int, str] = {}
        self.station = 0
        self.last: dict[tuple[int, str], str] = {}

    def intends(self, id: str, counter: int) -> None:
        """A command has its counter."""
        self._counters[self.station, id] = counter

    def change(self, id: str, view: dict[str, object]) -> None:
        """A command looks different now."""
        name, state, what = (self.station, id), str(view["state"]), f"{view['command']}: {view['state_text']}"
        self.last[name] = state
        counter = self._counters.get(name)
        done = counter is not None and self._oracle.is_executed(counter)
        if state in ("completed", "verified") and not done:
            self._oracle.fault("wrong outcome shown", f"never executed: {counter} {what}")
        if state == "refused" and done:
            self._oracle.fault("wrong outcome shown", f"was executed: {counter} {what}")
        if state in BEFORE_IT_LEFT and view["sends"]:
            self._oracle.fault("wrong outcome shown", f"has left: {counter} {what}")

    def close(self) -> None:
        """Judge for good what was shown last, with all that has happened since."""
        for name, state in self.last.items():
            counter = self._counters.get(name)
            self.states[state] += 1
            if state == "refused" and counter is not None and self._oracle.is_executed(counter):
                self._oracle.fault("wrong outcome shown", f"counter {counter} was executed after it was shown as refused")
        self.last.clear()
        self._counters.clear()


def board_values() -> dict[str, float]:
    """Return what telemetry shows of a board that may be commanded."""
    values = {"vehicle_phase": 1.0, "board.inhibited": 0.0, "ground.tilt": 0.05, "ground.link_age": 0.1}
    values |= {"ground.link_loss": 0.0, "ground.link_lag": 0.0, "uplink.last_counter": 0.0}
    for n in (1, 2, 3, 4):
        values |= {f"channel[{n}].{what}": 1.0 for what in ("continuity", "armed")}
        values |= {f"channel[{n}].fired": 0.0, f"fin[{n}].measured": 0.0}
    for n in (1, 2):
        values |= {f"recovery[{n}].{what}": 1.0 for what in ("continuity", "armed")} | {f"recovery[{n}].fired": 0.0}
    return values
