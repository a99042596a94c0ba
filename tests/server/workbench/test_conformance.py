"""The bench's table: a vehicle that keeps the rules passes, and each broken rule is found by the line made for it.

Every kind of vehicle is said plainly: of either version of the wire, with another dictionary, another key, a start id that
comes again, or none of it seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, replace

import pytest
from cobs import cobs

from protocol.bound import BoundFrame, build_bound_frame, open_bound_frame
from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.identity import IDENTITY_NAME
from protocol.vehicle import CommandMemory, Order, Rejected, Repeat, VehicleLink
from server.workbench.attempts import unused_code
from server.workbench.check_lines import FAULT, OK, OPEN, CheckLine
from server.workbench.conformance import Bench
from tests.protocol.helpers import HEAD, KEY, SANDPIPER
from tests.server.uplink.queue_world import first_wire, swapped

STEP_S = 0.01
Tweak = Callable[["Vehicle"], None]


class Vehicle:
    """A port with a vehicle behind it that lives in the bench's own time; its parts can be broken one at a time."""

    def __init__(self, words: Dictionary = SANDPIPER, key: bytes = KEY, id: int | None = None) -> None:
        self.now_s, self.step, self.counter = 0.0, 0, 100
        self.words, self.key, self.id = words, key, words.uplink.vehicle_id if id is None else id
        self.silent_about: set[str] = set()
        self.starts_at: list[tuple[float, int]] = [(0.0, 5)]  # second and id of each start
        self.slow = 1.0
        self.pressure = 94000.0
        self.answer_after_s = 0.05
        self.owed: list[tuple[float, bytes]] = []
        self.hear: Callable[[bytes], list] = lambda data: self.link.receive(data, self.ms)
        self.spoil: Callable[[bytes], bytes] = lambda frame: frame
        self.start(5)

    def start(self, boot_id: int) -> None:
        memory = CommandMemory(self.words, self.key, boot_id, vehicle_id=self.id)
        self.link = VehicleLink(self.words, self.key, boot_id, memory)
        self.started_s, self.told = self.now_s, 3

    @property
    def ms(self) -> int:
        return round((self.now_s - self.started_s) * 1000)

    def take_counter(self) -> int:
        self.counter += 1
        return self.counter

    def write(self, data: bytes) -> None:
        for heard in self.hear(data):
            match heard:
                case Order():
                    for stage in ("accepted", "completed"):
                        self._owe(self.link.answer(heard, stage, "none", self.ms))
                    if heard.command == "safe_all" and self.words.is_bound:
                        self._owe(self._frame(IDENTITY_NAME, {}))
                case Repeat():
                    for frame in heard.frames:
                        self._owe(frame)
                case Rejected(answer=bytes() as answer):
                    self._owe(answer)

    def _owe(self, frame: bytes) -> None:
        self.owed.append((self.now_s + self.answer_after_s, frame))

    def read(self) -> bytes:
        self.step += 1
        self.now_s += STEP_S
        while len(self.starts_at) > 1 and self.now_s >= self.starts_at[1][0]:
            self.starts_at.pop(0)
            self.start(self.starts_at[0][1])
        out = [frame for at, frame in self.owed if at <= self.now_s]
        self.owed = [item for item in self.owed if item[0] > self.now_s]
        if self.told and self.step % 10 == 0:
            self.told -= 1
            values = {"boot_id": self.link.boot_id, "dictionary_hash": self.words.hash32, "firmware": "x"}
            out.append(self._frame("startup", values))
        for place, (name, packet) in enumerate(self.words.packets.items()):
            period = round(100 / packet.rate_hz * (self.slow if name == "fins" else 1.0)) if packet.rate_hz else 0
            if period and (self.step + place) % period == 0:
                out.append(self.spoil(self._frame(name, self._values(name))))
        return b"".join(out)

    def _frame(self, name: str, values: dict[str, object]) -> bytes:
        if name in self.silent_about:
            return b""
        if name == IDENTITY_NAME:
            return self.link.identity_frame(self.ms)
        return self.link.frame(name, self.ms, values)

    def _values(self, name: str) -> dict[str, object]:
        values = {c.name: max(c.offset, c.range[0] if c.range else 0.0) for c in self.words.packets[name].channels}
        told = {"boot_id": self.link.boot_id, "frames_good": self.link.frames_good, "last_counter": self.link.last_counter}
        return values | ({"pressure": self.pressure} if name == "barometer" else told if name == "link" else {})


def checked(vehicle: Vehicle, words: Dictionary = SANDPIPER) -> dict[str, CheckLine]:
    """Check a vehicle by a dictionary; return the lines by name."""
    bench = Bench(vehicle, words, KEY, vehicle.take_counter, lambda: vehicle.now_s)
    bench.listen(4.0)
    lines = [*bench.downlink_lines(), *bench.command_lines(words.commands["ping"])]
    return {line.name: line for line in lines}


def table(tweak: Tweak = lambda vehicle: None) -> dict[str, CheckLine]:
    """Check a vehicle made worse by `tweak`; return its lines by name."""
    vehicle = Vehicle()
    tweak(vehicle)
    return checked(vehicle)


BINDINGS = {"other start", "other dictionary", "too late", "valid for too long", "other vehicle"}
SAFE_ALL = {"Safe all", "Safe all repeated", "Safe all told", "Safe all of an earlier start"}


def test_a_vehicle_that_keeps_the_rules_passes() -> None:
    lines = table()
    assert {name for name, line in lines.items() if line.verdict == FAULT} == set()
    assert [name for name, line in lines.items() if line.verdict == OPEN] == ["start id"]
    assert lines.keys() > BINDINGS | SAFE_ALL
    assert lines["identity"].seen == "vehicle 1001, flight build, signed with this station's key"
    assert lines["answer time"].seen.startswith("median ")


def test_a_vehicle_of_version_one_passes_and_its_lack_is_said() -> None:
    lines = checked(Vehicle(first_wire()), first_wire())
    assert {name for name, line in lines.items() if line.verdict == FAULT} == set()
    assert lines["wire"].seen == "version 1: commands are bound to no vehicle, no dictionary and no time"
    assert lines.keys().isdisjoint(BINDINGS - {"other start"} | SAFE_ALL)


def _restarting(second: int, words: Dictionary = SANDPIPER) -> Vehicle:
    vehicle = Vehicle(words)
    vehicle.starts_at.append((2.6, second))  # a lesser fall of the clock is no restart
    return vehicle


def _silent(packet: str, words: Dictionary = SANDPIPER) -> Vehicle:
    vehicle = Vehicle(words)
    vehicle.silent_about = {packet}
    return vehicle


def _startless() -> Vehicle:
    vehicle = Vehicle()
    vehicle.start(0)
    return vehicle


@pytest.mark.parametrize(
    ("vehicle", "words", "name", "said"),
    [
        (Vehicle(first_wire()), SANDPIPER, "wire", "the vehicle speaks version 1, this dictionary is of version 2"),
        (Vehicle(), first_wire(), "wire", "the vehicle speaks version 2, this dictionary is of version 1"),
        (Vehicle(swapped()), SANDPIPER, "dictionary", f"the vehicle has hash {swapped().hash32:08x}, this dictionary is"),
        (Vehicle(key=KEY[::-1]), SANDPIPER, "identity", "holds another command key than this station"),
        (Vehicle(id=1002), SANDPIPER, "identity", "this is vehicle 1002, the dictionary is for vehicle 1001"),
        (_restarting(5), SANDPIPER, "start id", "it restarted and has the same again (5): it must never repeat"),
        (_restarting(5, first_wire()), first_wire(), "start id", "it restarted and has the same again (5)"),
        (_startless(), SANDPIPER, "start id", "the vehicle has none, so it obeys nothing but Safe all"),
        (_silent("identity"), SANDPIPER, "identity", "not seen"),
        (_silent("identity"), SANDPIPER, "dictionary", "hash not seen"),
        (_silent("startup", first_wire()), first_wire(), "dictionary", "hash not seen: restart the vehicle"),
    ],
)
def test_every_other_kind_of_vehicle_is_said_plainly(vehicle: Vehicle, words: Dictionary, name: str, said: str) -> None:
    lines = checked(vehicle, words)
    assert lines[name].verdict == FAULT and said in lines[name].seen, lines
    if name != "start id" or "none" in said:
        assert "commands" in lines, "and nothing is asked of it"
        assert vehicle.link.frames_good == vehicle.link.frames_bad == 0


def test_a_start_id_that_changes_is_seen_to() -> None:
    assert checked(_restarting(6))["start id"] == CheckLine("start id", OK, "another at each of 2 starts")


def _obeys_everything(vehicle: Vehicle) -> None:
    """Forgets what it has obeyed and looks at nothing that a command is bound to, nor at its tag."""

    def hear(data: bytes) -> list:
        vehicle.link.memory.frames_good += 1
        packet = cobs.decode(data.strip(b"\0"))
        place = 6 if packet[1] == 0xFE else 18
        return [Order(int.from_bytes(packet[place : place + 4], "big"), "ping", {}, 0x1E)]

    vehicle.hear = hear


def _forgives(name: str) -> Tweak:
    """A vehicle that does not look at one thing a command is bound to."""

    def tweak(vehicle: Vehicle) -> None:
        ours = {"boot_id": 5, "dictionary_hash": vehicle.words.hash32}

        def hear(data: bytes) -> list:
            found = [open_bound_frame(KEY, id, data.strip(b"\0")) for id in (vehicle.id, vehicle.id ^ 1)]
            bound = next((frame for frame in found if isinstance(frame, BoundFrame)), None)
            if bound is None or (name != "vehicle_id" and not isinstance(found[0], BoundFrame)):
                return vehicle.link.receive(data, vehicle.ms)
            if name == "valid_until_ms":
                bound = replace(bound, valid_until_ms=vehicle.ms + 5000)
            elif name in ours:
                bound = replace(bound, **{name: ours[name]})
            return vehicle.link.receive(build_bound_frame(KEY, vehicle.id, **asdict(bound)), vehicle.ms)

        vehicle.hear = hear

    return tweak


def _safe_all_once(vehicle: Vehicle) -> None:
    """Obeys Safe all by the rule of all other commands: once, and only with a new counter."""
    taken: list[int] = []

    def hear(data: bytes) -> list:
        out = []
        for judged in vehicle.link.receive(data, vehicle.ms):
            is_safe_all = isinstance(judged, Order) and judged.command == "safe_all"
            if not is_safe_all or judged.counter > max(taken, default=104):
                out.append(judged)
            taken.extend([judged.counter] if is_safe_all else [])
        return out

    vehicle.hear = hear


def _set(name: str, value: object) -> Tweak:
    return lambda vehicle: setattr(vehicle, name, value)


@pytest.mark.parametrize(
    ("tweak", "faults"),
    [
        (_set("slow", 2.0), {"rate fins"}),
        (_set("pressure", 5.0), {"ranges"}),
        (_set("spoil", lambda f: f[:-2] + bytes([f[-2] ^ 1 or 2]) + b"\0" if f[3] == 0x13 else f), {"checksum"}),
        (_set("answer_after_s", 0.9), {"answer time"}),
        (
            _obeys_everything,
            {"repeat not obeyed", "counter replayed", "wrong arguments", "unknown command"}
            | {"wrong tag", "damaged command", "Safe all told"}
            | BINDINGS,
        ),
        (
            _set("hear", lambda data: []),
            {"command accepted", "command repeated", "counter replayed", "wrong arguments", "unknown command"}
            | SAFE_ALL
            | BINDINGS - {"other vehicle"},
        ),
        (_forgives("boot_id"), {"other start"}),
        (_forgives("dictionary_hash"), {"other dictionary"}),
        (_forgives("valid_until_ms"), {"too late", "valid for too long"}),
        (_forgives("vehicle_id"), {"other vehicle"}),
        (_safe_all_once, {"Safe all repeated", "Safe all of an earlier start"}),
    ],
    ids=["rate", "range", "checksum", "late", "obeys", "deaf", "start", "dictionary", "time", "vehicle", "safe all"],
)
def test_a_broken_rule_is_found_by_its_line(tweak: Tweak, faults: set[str]) -> None:
    found = {name for name, line in table(tweak).items() if line.verdict == FAULT}
    assert found - {"framing", "header"} == faults


def test_silence_is_a_fault_of_framing_and_nothing_is_asked() -> None:
    vehicle = Vehicle()
    vehicle.spoil = lambda frame: b""
    bench = Bench(vehicle, SANDPIPER, KEY, vehicle.take_counter, lambda: vehicle.now_s)
    bench.listen(0.05)
    assert [line.verdict for line in bench.downlink_lines()] == [FAULT]
    (line,) = bench.command_lines(SANDPIPER.commands["ping"])
    assert line.verdict == OPEN and "boot id" in line.seen


def test_an_unused_code_keeps_its_distance_from_hazardous_ones() -> None:
    code = unused_code(SANDPIPER)
    hazardous = [command.code for command in SANDPIPER.commands.values() if command.hazard == "hazardous"]
    assert code not in SANDPIPER.command_by_code and min((code ^ other).bit_count() for other in hazardous) >= 4
    assert unused_code(parse_dictionary(HEAD)) == 1
