"""A captured uplink, played back at the vehicle: it does nothing but repeat the old answer.

Safe all alone acts each time it is heard, also in another start: it can only inhibit.

A real station commands the real simulated vehicle over a clear channel and records it; what an eavesdropper would have
is read back from the session file as the bytes sent, and goes to the same vehicle once more, in every order.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

import server.live.station
from protocol.link import NEED_DATA, Link, PacketReceived
from protocol.vehicle import ANSWERS_KEPT
from server.live.station import PortState, Station
from server.recording.clock import FakeClock
from server.recording.records import Kind
from server.recording.resume import resume_or_start
from server.recording.session_file import open_session
from server.recording.session_header import Software, make_header
from server.twin.scenario import Scenario
from server.twin.twin import Twin
from server.uplink.command_state import State
from server.uplink.counter_store import CounterStore
from server.uplink.key_file import load_or_make_key
from tests.server.uplink.queue_world import dictionary

ADA = "Ada 1"
CLEAR = Scenario(
    "clear",
    "Nothing is lost",
    {f"radio.{way}.{name}": 0.0 for way in ("up", "down") for name in ("enter_burst", "loss_outside", "bit_error_rate")},
)
Answer = tuple[int, int, str, str]  # boot id, counter, stage, reason
SESSION = [
    ("camera_power", {"camera": 2, "on": 1}),
    ("ground_test", {"on": 1}),
    ("board_release", {}),
    ("channel_arm", {"channel": 1}),
    ("channel_fire", {"channel": 1}),
    ("channel_arm", {"channel": 2}),
    ("recovery_arm", {"channel": 1}),
    ("fin_move", {"fin": 2, "angle": 0.1}),
    ("safe_all", {}),
]


class AirBridge:
    """The port of a station whose radio is the simulated vehicle's own channel."""

    twin: Twin

    def __init__(self, url: str, baud: int, **more: object) -> None:
        self.url = url

    def stop(self) -> None:
        """Nothing to stop."""

    def send(self, frame: bytes, on_done: Callable[[str | None], None], urgent: bool = False) -> None:
        """Put a frame on the air."""
        self.twin.uplink(frame)
        on_done(None)


class Bench:
    """Station and vehicle in one fake time."""

    def __init__(self, folder: Path) -> None:
        self.clock, self.key, self.time_s = FakeClock(), load_or_make_key(folder / "keys", folder / "copies"), 0.0
        self.twin = AirBridge.twin = Twin(
            scenario=CLEAR, seed=1, dictionary=dictionary(), key=self.key, boot_id=7, ignite_after_s=None
        )
        header = make_header(
            self.clock, software=Software("t"), dictionary=dictionary().text, vehicle={}, site={}, source="invented"
        )
        self.station = Station(
            dictionary=dictionary(),
            key=self.key,
            counters=CounterStore(folder / "keys", self.key, folder / "copies"),
            url="air",
            baud=1,
            clock=self.clock,
            make_recorder=lambda tell: resume_or_start(folder, "v", header, clock=self.clock, on_state=tell),
            mode="live",
        )

    async def wait(self, seconds: float) -> None:
        """Let time pass for both."""
        for _ in range(round(seconds / 0.1)):
            self.time_s += 0.1
            self.clock.advance(0.1)
            self.station._on_chunk(self.clock.monotonic_ns(), self.twin.advance(self.time_s))
            self.station.process()
            self.station.authority.alive(ADA, self.station.now_s())
            self.station.ask(lambda queue, now_s: queue.tick(now_s))
            await self.station._executor.settled()
            await asyncio.sleep(0)

    async def command(self, name: str, args: dict[str, float]) -> None:
        """Give one command with as many acts as it needs, and see it verified."""
        request = {"command": name, "args": args}
        if dictionary().commands[name].hazard == "routine":
            reply = self.station.act(ADA, "send", request)
        else:
            self.station.ask(lambda queue, now_s: queue.trips.note(now_s, now_s))  # as if a ping had been answered
            armed = self.station.act(ADA, "arm", request)
            assert armed.ok, armed.sentence
            await self.wait(0.5)
            reply = self.station.act(ADA, "confirm", {**request, "id": armed.id})
        assert reply.ok, reply.sentence
        for _ in range(60):
            await self.wait(0.1)
            if self.station.command(reply.id).state is State.VERIFIED:
                return
        raise AssertionError(self.station.command(reply.id))


def record(folder: Path, monkeypatch: pytest.MonkeyPatch, session: Iterable[tuple[str, dict]]) -> tuple[Bench, Path]:
    """Give the commands; return the bench, with the vehicle as they left it, and the recording."""
    monkeypatch.setattr(server.live.station, "SerialBridge", AirBridge)

    async def go() -> tuple[Bench, Path]:
        bench = Bench(folder)
        bench.station._port_changed(PortState("open", "open"))
        bench.station.sign_in(ADA)
        await bench.wait(6.0)
        for name, args in session:
            await bench.command(name, args)
        return bench, await bench.station.stop()

    return asyncio.run(go())


def answers(data: bytes) -> list[Answer]:
    """Read the answers out of downlink bytes."""
    link, found = Link(dictionary()), []
    link.receive_data(data)
    while (event := link.next_event()) is not NEED_DATA:
        if isinstance(event, PacketReceived) and event.packet.name == "answer":
            values = dict(zip([c.name for c in event.packet.channels], event.values, strict=True))
            stage, reason = (event.packet.channel(n).text_of(values[n]) for n in ("stage", "reason"))
            found.append((int(values["boot_id"]), int(values["counter"]), stage, reason))
    return found


def condition(twin: Twin) -> dict[str, object]:
    """What a command can change on the vehicle."""
    computer = twin.computer
    board = computer.airframe.board
    return {
        "executed": list(twin.orders.executed),
        "phase": computer.phase,
        "inhibited": board.inhibited,
        "channels": [(c.armed, c.fired, c.continuity, c.fires_s) for c in board.lateral + board.recovery],
        "cameras": [(c.powered, c.recording) for c in computer.airframe.cameras],
        "fins": [round(angle, 3) for angle in computer.airframe.servos.commanded],
        "last counter": twin.link.last_counter,
    }


def play(bench: Bench, data: bytes, seconds: float = 0.5) -> list[Answer]:
    """Play bytes at the vehicle; return its answers."""
    bench.twin.uplink(data)
    bench.time_s += seconds
    return answers(bench.twin.advance(bench.time_s))


def captured(path: Path) -> tuple[list[bytes], list[Answer]]:
    """Return the frames sent, and what the vehicle answered then, from the session file."""
    records = open_session(path).records
    heard = b"".join(record.payload for record in records if record.kind == Kind.RECEIVED)
    return [record.payload for record in records if record.kind == Kind.SENT], answers(heard)


def without_safe_alls(what: dict[str, object]) -> dict[str, object]:
    """What a command can change, but for how often Safe all was carried out."""
    return {**what, "executed": [one for one in what["executed"] if one[1] != "safe_all"]}


def test_played_back_it_only_repeats_the_old_answers_and_safe_all_alone_acts_again(tmp_path: Path, monkeypatch) -> None:
    """I8."""
    bench, path = record(tmp_path, monkeypatch, SESSION)
    frames, answered = captured(path)
    assert [name for _, name in bench.twin.orders.executed] == [name for name, _ in SESSION]
    assert bench.twin.computer.airframe.board.lateral[0].fired, "a dangerous one really was among them"
    counters = sorted({counter for _, counter, _, _ in answered})
    assert len(frames) == len(counters) == len(SESSION)
    before = without_safe_alls(condition(bench.twin))
    assert before["inhibited"] and before["channels"][4][0], "made safe; the recovery channel that was armed stays so"
    for order in (range(len(frames)), reversed(range(len(frames))), [4] * 5):
        for place in order:
            old = [answer for answer in answered if answer[1] == counters[place]]
            assert [stage for _, _, stage, _ in old] == ["accepted", "completed"]
            assert play(bench, frames[place]) == old
            assert without_safe_alls(condition(bench.twin)) == before
    assert play(bench, b"".join(frames), 2.0) == [a for c in counters for a in answered if a[1] == c]
    assert without_safe_alls(condition(bench.twin)) == before
    executed = [name for _, name in bench.twin.orders.executed]
    assert executed == [name for name, _ in SESSION] + ["safe_all"] * 3


def test_a_safe_all_played_back_inhibits_and_leaves_the_parachutes(tmp_path: Path, monkeypatch) -> None:
    bench, path = record(tmp_path, monkeypatch, [("safe_all", {}), *SESSION[1:4], ("recovery_arm", {"channel": 1})])
    board = bench.twin.computer.airframe.board
    assert not board.inhibited and board.lateral[0].armed and board.recovery[0].armed
    told = play(bench, captured(path)[0][0])
    assert [stage for _, _, stage, _ in told] == ["accepted", "completed"]
    assert board.inhibited and not board.lateral[0].armed and board.recovery[0].armed


def test_played_back_where_firing_is_possible_it_still_does_nothing(tmp_path: Path, monkeypatch) -> None:
    """The vehicle stands in ground test, released and armed: all that a fresh fire command would need."""
    fire = SESSION[1:5]
    ready = [("channel_arm", {"channel": 2})]
    bench, path = record(tmp_path, monkeypatch, [*fire, *ready])
    lateral = bench.twin.computer.airframe.board.lateral
    lateral[0].continuity = True  # a fresh igniter simulator
    lateral[0].arm(None)
    before = condition(bench.twin)
    for frame in captured(path)[0]:
        play(bench, frame)
        assert condition(bench.twin) == before


def test_after_a_restart_of_the_vehicle_it_is_refused_as_of_another_start(tmp_path: Path, monkeypatch) -> None:
    bench, path = record(tmp_path, monkeypatch, SESSION)
    frames, answered = captured(path)
    bench.twin.reboot()
    play(bench, b"", 6.0)
    before = condition(bench.twin)
    assert before["executed"] == [] and before["last counter"] == 0
    for frame in frames[:-1]:
        (answer,) = play(bench, frame)
        assert answer[0] == 7 != bench.twin.boot_id and answer[2:] == ("refused", "other boot")
        assert answer[1] in {counter for _, counter, _, _ in answered}
        assert condition(bench.twin) == before
    told = play(bench, frames[-1])
    assert [(id, stage) for id, _, stage, _ in told] == [
        (bench.twin.boot_id & 0xFFFF_FFFF, "accepted"),
        (bench.twin.boot_id & 0xFFFF_FFFF, "completed"),
    ]
    assert [name for _, name in bench.twin.orders.executed] == ["safe_all"]


def test_what_is_older_than_the_answers_kept_is_refused(tmp_path: Path, monkeypatch) -> None:
    bench, path = record(tmp_path, monkeypatch, [SESSION[0], *[("ping", {})] * ANSWERS_KEPT])
    frames, _ = captured(path)
    before = condition(bench.twin)
    ((_, _, stage, reason),) = play(bench, frames[0])
    assert (stage, reason) == ("refused", "old counter") and condition(bench.twin) == before
