"""A whole world around the real command queue: disk, port, radio, vehicle, people and a clock that is an argument.

Real: CommandQueue, Authority, LinkWatch, protocol.link.Link, protocol.vehicle.VehicleLink. Plain models: the disk
(which may fail or be slow), the port, the radio and what the vehicle does with an order. `World.log` says in order what
people did, what disarmed and what left; the checks in `queue_oracles` read only that, the disk and the vehicle's
execution list.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from protocol.commands import COUNTER_MAX
from protocol.dictionary import Dictionary
from protocol.dictionary_file import UNBOUND_RISK, load_dictionary, parse_dictionary
from protocol.errors import OurMistake
from protocol.identity import Identity
from protocol.link import NEED_DATA, Link, PacketReceived, VehicleRestarted
from protocol.packets import TIME_MODULUS_MS
from server.bridge.link_watch import LinkWatch
from server.telemetry.conditions import Reading
from server.uplink.addressee import Addressee
from server.uplink.authority import Authority
from server.uplink.command_entry import Changed, PermitChanged, Prepare, Reply, Transmit
from server.uplink.command_queue import CommandQueue
from server.uplink.key_names import KeyProblem
from tests.server.uplink.queue_vehicle import BadLink, Vehicle

KEY = bytes(range(32))
STEP_S = 0.1
A, B = "Ada 1", "Ben 1"
GROUND = ("ground.tilt", "ground.link_loss")


@cache
def dictionary() -> Dictionary:
    """Return the Sandpiper dictionary, read once."""
    return load_dictionary(None)


@cache
def first_wire() -> Dictionary:
    """Return the Sandpiper dictionary as it was on wire version 1."""
    return load_dictionary(Path(__file__).parents[2] / "sandpiper_1.toml")


@cache
def swapped() -> Dictionary:
    """Return the Sandpiper dictionary with the codes of `channel_safe` and `channel_fire` changed about."""
    safe, fire = (f"code = 0x{dictionary().commands[name].code:02X}" for name in ("channel_safe", "channel_fire"))
    text = dictionary().text.replace(safe, "code = ?").replace(fire, safe).replace("code = ?", fire)
    assert text.count(safe) == text.count(fire) == 1
    return parse_dictionary(text)


@cache
def first_wire_at_risk() -> Dictionary:
    """Return the same, with the risk of hazardous commands on version 1 accepted by its owner."""
    return parse_dictionary(first_wire().text.replace("[uplink]\n", f'[uplink]\nrisk_accepted = "{UNBOUND_RISK}"\n'))


@dataclass(frozen=True)
class Act:
    """A person did something. `ok` is what they were told; the checks do not rely on it, except for arms."""

    kind: str
    operator: str
    holder: str | None
    command: str
    args: tuple[tuple[str, object], ...]
    at_s: float
    ok: bool
    id: str | None


@dataclass(frozen=True)
class Disarmed:
    """Something happened after which nothing unsent may leave."""

    why: str


@dataclass(frozen=True)
class Said:
    """An identity packet as it came down, whoever sent it: vehicle time (ms, modulo 2^32) and its channels by name."""

    at_s: float
    vehicle_ms: int
    values: Mapping[str, int]


@dataclass(frozen=True)
class Sent:
    """Bytes that reached the port, with what the station knew at that moment."""

    frame: bytes
    id: str
    at_s: float
    readings: Mapping[str, Reading]
    link_age_s: float
    intents: int  # how many intents were on the disk
    covered: int  # the counter the disk covered
    generation: int  # which start of the station
    said: tuple[Said, ...]  # the newest that this start of the station was told of who the vehicle is


@dataclass
class Disk:
    """What survives a crash: the counter, ahead by some spares, and the intents."""

    covered: int = 0
    intents: list[dict[str, object]] = field(default_factory=list)
    failures: int = 0  # how many of the next operations fail; -1 = for ever
    _next: int = 1

    def crash(self) -> None:
        """The station ended: what it only remembered is gone."""
        self._next = self.covered + 1

    def take(self) -> int:
        """Return the next counter, stored first."""
        self._work()
        if self._next > COUNTER_MAX:
            raise KeyProblem("The command counter has reached its limit; make a new key.")
        self.covered = max(self.covered, min(self._next + 8, COUNTER_MAX))
        self._next += 1
        return self._next - 1

    def take_spare(self) -> int:
        """Return a counter already covered."""
        if self._next > self.covered:
            raise KeyProblem("no spare counter is left")
        self._next += 1
        return self._next - 1

    def keep(self, intent: dict[str, object]) -> None:
        """Store an intent."""
        self._work()
        self.intents.append(intent)

    def _work(self) -> None:
        if self.failures:
            self.failures -= self.failures > 0
            raise KeyProblem("the disk failed")


class World:
    """Everything, driven by method calls. Call `advance` to let time pass."""

    def __init__(self, seed: int = 1, badness: float = 0.0, counter: int = 0, words: Dictionary | None = None) -> None:
        rng = random.Random(seed)
        self.now_s = 0.0
        self.dictionary = words or dictionary()
        self.up, self.down = BadLink(rng, badness, (0.3, 1.0, 4.0, 7.0)), BadLink(rng, badness)
        self.vehicle = Vehicle(self.dictionary, KEY)
        self.disk = Disk(covered=counter)
        self.disk_delay_s = 0.0
        self.port_problem: str | None = None
        self.port_loses_bytes = True
        self.link_loss, self.tilt = 0.0, 0.05
        self.lag_s: float | None = 0.0
        self.trip_s: float | None = 0.1  # as if the station's pings were answered all the time; None: they are not
        self.log: list[object] = []
        self.views: dict[tuple[int, str], dict[str, object]] = {}
        self.permits: dict[str, dict[str, object]] = {}
        self.changes: list[tuple[int, dict[str, object], int]] = []  # with the length of the log
        self.generation = -1
        self.deaf_to: set[str] = set()
        self._next_telemetry_s = 0.0
        self.start_station()

    # ------------------------------------------------------------ station life

    def start_station(self) -> None:
        """Start the station, or start it again after a crash: only the disk and the vehicle are as before."""
        self.generation += 1
        self.disk.crash()
        self.log.append(Disarmed("station restarted"))
        self.addressee = Addressee(self.dictionary, KEY)
        self.queue = CommandQueue(self.dictionary, self, self.addressee)
        self.authority = Authority()
        self.watch = LinkWatch("port")
        self.link = Link(self.dictionary, KEY)
        self.latest: dict[str, Reading] = {}
        self._said: list[Said] = []
        self._preparing: list[tuple[float, Prepare]] = []
        self._link_became(self.watch.on_port("open", "port is open"))
        self.sign_in(A)
        self.sign_in(B)

    def reading(self, role: str, now_s: float) -> Reading | None:
        """Answer the queue as the station does."""
        if role == "ground.link_age":
            age_s = self.watch.age_s(now_s)
            return None if age_s is None else Reading(age_s, now_s)
        if role == "ground.link_loss":
            return Reading(self.link_loss, now_s)
        if role == "ground.link_lag":
            return None if self.lag_s is None else Reading(self.lag_s, now_s)
        if role == "ground.tilt":
            return Reading(self.tilt, now_s)
        return self.latest.get(role)

    # ------------------------------------------------------------ people

    def sign_in(self, operator: str) -> None:
        """A page arrives."""
        self._holder_changed(self.authority.sign_in(operator, self.now_s))

    def take(self, operator: str) -> None:
        """Take authority."""
        self._holder_changed(self.authority.take(operator, self.now_s))

    def release(self, operator: str) -> None:
        """Hand authority back."""
        self._holder_changed(self.authority.release(operator))

    def leave(self, operator: str) -> None:
        """A page closes."""
        self._holder_changed(self.authority.leave(operator))

    def submit(self, command: str, operator: str = A, **args: object) -> Reply:
        """One act."""
        go = lambda: self.queue.submit(command, args, operator, self.now_s)  # noqa: E731
        return self._act("send", operator, command, args, go)

    def arm(self, command: str, operator: str = A, **args: object) -> Reply:
        """First act."""
        return self._act("arm", operator, command, args, lambda: self.queue.arm(command, args, operator, self.now_s))

    def confirm(self, id: str | None, command: str, operator: str = A, **args: object) -> Reply:
        """Second act."""
        go = lambda: self.queue.confirm(str(id), command, args, operator, self.now_s)  # noqa: E731
        return self._act("confirm", operator, command, args, go)

    def cancel(self, id: str | None, operator: str = A) -> Reply:
        """Take back."""
        return self._act("cancel", operator, "", {}, lambda: self.queue.cancel(str(id), operator, self.now_s))

    def safe_all(self, operator: str = A) -> Reply:
        """Make safe."""
        self.log.append(Disarmed("safe all"))
        return self._act("safe_all", operator, "safe_all", {}, lambda: self.queue.safe_all(operator, self.now_s))

    def arm_and_confirm(self, command: str, operator: str = A, **args: object) -> Reply:
        """Both acts, half a second apart."""
        armed = self.arm(command, operator, **args)
        self.advance(0.5)
        return self.confirm(armed.id, command, operator, **args)

    def arm_plan(self, allowed: list[tuple[str, dict[str, float]]], operator: str = A) -> Reply:
        """First act for a whole plan."""
        go = lambda: self.queue.permits.arm("Trial", allowed, operator, self.now_s)  # noqa: E731
        plan = {f"{i}": (name, tuple(sorted(args.items()))) for i, (name, args) in enumerate(allowed)}
        return self._act("arm plan", operator, "", plan, go)

    def confirm_plan(self, id: str | None, operator: str = A) -> Reply:
        """Second act for a plan."""
        go = lambda: self.queue.permits.confirm(str(id), operator, self.now_s)  # noqa: E731
        return self._act("confirm plan", operator, "", {"id": id}, go)

    def send_planned(self, id: str | None, command: str, **args: float) -> Reply:
        """The trial asks for one step; no person acts."""
        reply = self.queue.permits.send(str(id), command, args, self.now_s)
        self.carry_out()
        return reply

    # ------------------------------------------------------------ what happens

    def link_lost(self) -> None:
        """The port goes away."""
        self._link_became(self.watch.on_port("missing", "port is gone"))

    def link_found(self) -> None:
        """The port is back."""
        self._link_became(self.watch.on_port("open", "port is open"))

    def reboot(self, boot_id: int | None = None) -> None:
        """The vehicle restarts; it announces itself three times over the (bad) radio."""
        for frame in self.vehicle.start(self.vehicle.boot_id + 1 if boot_id is None else boot_id):
            self.down.put(frame, self.now_s)

    def reflash(self) -> None:
        """The vehicle is built anew, from a dictionary in which two commands have each other's codes."""
        self.vehicle.built_from = swapped()
        self.reboot()

    def exchange(self) -> None:
        """Another vehicle with the same key and dictionary is switched on in place of ours."""
        self.vehicle.vehicle_id = self.dictionary.uplink.vehicle_id + 1
        self.reboot()

    def sleep(self) -> None:
        """The computer slept and woke: the station notices by its clocks."""
        self.log.append(Disarmed("sleep"))
        self.queue.disarm("the computer slept", self.now_s)
        self.carry_out()

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        for _ in range(max(1, round(seconds / STEP_S))):
            self._step()

    def hear(self, data: bytes) -> None:
        """Take downlink bytes as the station does: link state, restarts, answers, effects."""
        self.link.receive_data(data)
        restarted, packets = False, []
        while (event := self.link.next_event()) is not NEED_DATA:
            restarted |= isinstance(event, VehicleRestarted)
            if isinstance(event, PacketReceived) and not event.late:
                packets.append(event)
                for channel, value in zip(event.packet.channels, event.values, strict=True):
                    if channel.role and channel.kind != "text":
                        self.latest[channel.role] = Reading(value, self.now_s)
        if packets:
            self._link_became(self.watch.on_packet(self.now_s))
        if restarted or self.link.boot_id != self.queue.boot_id:
            if self.queue.boot_id is not None or restarted:
                self.log.append(Disarmed("vehicle restarted"))
            self.queue.on_boot_id(self.link.boot_id, self.now_s, restarted)
        for event in packets:
            if event.packet.name == "startup" and not self.dictionary.is_bound:
                self.addressee.on_hash(int(self.latest["startup.dictionary_hash"].value))
            if event.packet.name == "identity":
                vehicle_ms = event.time_ms % TIME_MODULUS_MS
                names = (channel.name for channel in event.packet.channels)
                told = {name: int(value) for name, value in zip(names, event.values, strict=True)}
                self._said = [*self._said[-59:], Said(self.now_s, vehicle_ms, told)]
                self.queue.on_identity(Identity.of(event.values), vehicle_ms, self.now_s)
            if event.packet.name == "answer" and "answer" not in self.deaf_to:
                self._answer(event)
        if packets:
            self.queue.on_telemetry(self.now_s)
        self.carry_out()

    def carry_out(self) -> None:
        """Do what the queue wants done, as the station does, until it wants no more."""
        while actions := self.queue.take_actions():
            for action in actions:
                if isinstance(action, Changed):
                    self.views[self.generation, action.view.id] = action.view.as_dict()
                    self.changes.append((self.generation, action.view.as_dict(), len(self.log)))
                elif isinstance(action, PermitChanged):
                    self.permits[action.view.id] = action.view.as_dict()
                elif isinstance(action, Prepare):
                    self._preparing.append((self.now_s + self.disk_delay_s, action))
                else:
                    self._transmit(action)
            self._work_disk()

    # ------------------------------------------------------------ inside

    def _step(self) -> None:
        self.now_s = round(self.now_s + STEP_S, 6)
        self.vehicle.now_s = self.now_s
        if self.now_s >= self._next_telemetry_s:
            self._next_telemetry_s = self.now_s + 0.2
            for frame in self.vehicle.telemetry():
                self.down.put(frame, self.now_s)
        for frame in self.up.take(self.now_s):
            for answer in self.vehicle.receive(frame):
                self.down.put(answer, self.now_s)
        for frame in self.down.take(self.now_s):
            self.hear(frame)
        for operator in (A, B):
            self.authority.alive(operator, self.now_s)
        self._link_became(self.watch.tick(self.now_s))
        self._holder_changed(self.authority.tick(self.now_s))
        self._pinged()
        self.queue.tick(self.now_s)
        self._work_disk()
        self.carry_out()

    def _pinged(self) -> None:
        if self.trip_s is not None:
            self.queue.trips.note(self.now_s - self.trip_s, self.now_s)

    def _act(self, kind: str, operator: str, command: str, args: Mapping[str, object], do) -> Reply:
        self._pinged()
        place = len(self.log)
        self.log.append(None)
        holder = self.queue.holder
        reply = do()
        self.log[place] = Act(kind, operator, holder, command, tuple(args.items()), self.now_s, reply.ok, reply.id)
        self.carry_out()
        return reply

    def _holder_changed(self, changed: bool) -> None:
        if changed:
            self.log.append(Disarmed("authority changed"))
        self.queue.on_holder(self.authority.holder, self.now_s)
        self.carry_out()

    def _link_became(self, state) -> None:
        if state is None:
            return
        if self.queue.link_up and state.state != "up":
            self.log.append(Disarmed("link lost"))
        self.queue.on_link(state.state == "up", self.now_s)
        self.carry_out()

    def _answer(self, event: PacketReceived) -> None:
        values = dict(zip([c.name for c in event.packet.channels], event.values, strict=True))
        stage, reason = event.packet.channel("stage"), event.packet.channel("reason")
        self.queue.on_answer(
            int(values["boot_id"]),
            int(values["counter"]),
            stage.text_of(values["stage"]) or "?",
            reason.text_of(values["reason"]) or "?",
            self.now_s,
        )

    def _work_disk(self) -> None:
        due = [action for at_s, action in self._preparing if at_s <= self.now_s]
        self._preparing = [item for item in self._preparing if item[0] > self.now_s]
        for action in due:
            self._prepare(action)

    def _prepare(self, action: Prepare) -> None:
        try:
            counter = self._counter(action.must_be_durable)
            frame = self.link.send(action.command, action.args, counter, self.addressee.valid_until_ms(self.now_s))
            intent = {**action.intent, "counter": counter, "frame": frame, "generation": self.generation}
            try:
                self.disk.keep(intent)
            except KeyProblem:
                if action.must_be_durable:
                    raise
        except (KeyProblem, OurMistake) as error:
            self.queue.on_prepare_failed(action.id, str(error), self.now_s)
        else:
            self.queue.on_prepared(action.id, counter, frame, self.now_s)

    def _counter(self, must_be_durable: bool) -> int:
        try:
            return self.disk.take()
        except KeyProblem:
            if must_be_durable:
                raise
            return self.disk.take_spare()

    def _transmit(self, action: Transmit) -> None:
        problem = self.port_problem
        if problem is None or not self.port_loses_bytes:
            self.log.append(
                Sent(
                    action.frame,
                    action.id,
                    self.now_s,
                    {**self.latest, **{role: self.reading(role, self.now_s) for role in GROUND}},
                    self.watch.age_s(self.now_s) or 0.0,
                    len(self.disk.intents),
                    self.disk.covered,
                    self.generation,
                    tuple(self._said),
                )
            )
            self.up.put(action.frame, self.now_s)
        self.queue.on_written(action.id, problem, self.now_s)


def ready_world(**more) -> World:
    """Return a world in which the vehicle is heard, in ground test, the board released: everything may be commanded."""
    world = World(**more)
    world.vehicle.phase, world.vehicle.inhibited = "ground test", False
    world.advance(0.5)
    return world


def ready_unbound_world(**more) -> World:
    """Return a world like `ready_world` on wire version 1, its risk accepted: the vehicle has told its dictionary."""
    world = World(words=first_wire_at_risk(), **more)
    world.reboot(world.vehicle.boot_id)
    world.vehicle.phase, world.vehicle.inhibited = "ground test", False
    world.advance(0.5)
    assert world.queue.allow_unbound(A, world.now_s).ok
    return world
