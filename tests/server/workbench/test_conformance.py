"""The bench's table: a vehicle that keeps the rules passes, and each broken rule is found by the line made for it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from cobs import cobs

from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import Order, Rejected, Repeat, VehicleLink
from server.workbench.conformance import FAULT, OK, OPEN, Bench, CheckLine, table_text, unused_code
from tests.protocol.helpers import HEAD, KEY, SANDPIPER

STEP_S = 0.01
Tweak = Callable[["Vehicle"], None]


class Vehicle:
    """A port with a vehicle behind it that lives in the bench's own time; its parts can be broken one at a time."""

    def __init__(self) -> None:
        self.now_s, self.step, self.counter = 0.0, 0, 100
        self.link = VehicleLink(SANDPIPER, KEY, 5)
        self.hash = SANDPIPER.hash32
        self.slow = 1.0
        self.pressure = 94000.0
        self.answer_after_s = 0.05
        self.owed: list[tuple[float, bytes]] = []
        self.hear: Callable[[bytes], list] = lambda data: self.link.receive(data, self.ms)
        self.spoil: Callable[[bytes], bytes] = lambda frame: frame

    @property
    def ms(self) -> int:
        return round(self.now_s * 1000)

    def take_counter(self) -> int:
        self.counter += 1
        return self.counter

    def write(self, data: bytes) -> None:
        for heard in self.hear(data):
            match heard:
                case Order():
                    for stage in ("accepted", "completed"):
                        self._owe(self.link.answer(heard, stage, "none", self.ms))
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
        out = [frame for at, frame in self.owed if at <= self.now_s]
        self.owed = [item for item in self.owed if item[0] > self.now_s]
        if self.step == 10:
            values = {"boot_id": 5, "dictionary_hash": self.hash, "firmware": "x"}
            out.append(self.link.frame("startup", self.ms, values))
        for place, (name, packet) in enumerate(SANDPIPER.packets.items()):
            period = round(100 / packet.rate_hz * (self.slow if name == "fins" else 1.0)) if packet.rate_hz else 0
            if period and (self.step + place) % period == 0:
                out.append(self.spoil(self.link.frame(name, self.ms, self._values(name))))
        return b"".join(out)

    def _values(self, name: str) -> dict[str, object]:
        values = {c.name: max(c.offset, c.range[0] if c.range else 0.0) for c in SANDPIPER.packets[name].channels}
        told = {"boot_id": 5, "frames_good": self.link.frames_good, "last_counter": self.link.last_counter}
        return values | ({"pressure": self.pressure} if name == "barometer" else told if name == "link" else {})


def table(tweak: Tweak = lambda vehicle: None) -> dict[str, CheckLine]:
    """Check a vehicle made worse by `tweak`; return its lines by name."""
    vehicle = Vehicle()
    tweak(vehicle)
    bench = Bench(vehicle, SANDPIPER, KEY, vehicle.take_counter, lambda: vehicle.now_s)
    bench.listen(4.0)
    lines = [*bench.downlink_lines(), *bench.command_lines(SANDPIPER.commands["ping"])]
    return {line.name: line for line in lines}


def test_a_vehicle_that_keeps_the_rules_passes() -> None:
    lines = table()
    assert {line.verdict for line in lines.values()} == {OK}, lines
    assert len(lines) == 27
    assert lines["answer time"].seen.startswith("median ")


def _obeys_everything(vehicle: Vehicle) -> None:
    """Forgets what it has obeyed and looks at no counter, boot id or tag."""

    def hear(data: bytes) -> list:
        vehicle.link.frames_good += 1
        return [Order(int.from_bytes(_content(data)[8:12], "big"), "ping", {}, 0x1E)]

    vehicle.hear = hear


def _content(data: bytes) -> bytes:
    return cobs.decode(data[:-1])


def _set(name: str, value: object) -> Tweak:
    return lambda vehicle: setattr(vehicle, name, value)


@pytest.mark.parametrize(
    ("tweak", "faults"),
    [
        (_set("hash", 1), {"dictionary"}),
        (_set("slow", 2.0), {"rate fins"}),
        (_set("pressure", 5.0), {"ranges"}),
        (_set("spoil", lambda f: f[:-2] + bytes([f[-2] ^ 1 or 2]) + b"\0" if f[2] == 0x13 else f), {"checksum"}),
        (_set("answer_after_s", 0.9), {"answer time"}),
        (
            _obeys_everything,
            {"repeat not obeyed", "counter replayed", "wrong arguments", "unknown command", "other boot id"}
            | {"wrong tag", "damaged command"},
        ),
        (
            _set("hear", lambda data: []),
            {"command accepted", "command repeated", "counter replayed", "wrong arguments", "unknown command"}
            | {"other boot id"},
        ),
    ],
    ids=["hash", "rate", "range", "checksum", "late", "obeys", "deaf"],
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


def test_the_table_is_aligned() -> None:
    text = table_text([CheckLine("a", OK, "one"), CheckLine("long name", FAULT, "two")])
    assert text.splitlines() == ["ok        a          one", "FAULT     long name  two"]
