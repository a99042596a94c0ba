"""Trials on a real station behind a real page server: the two acts, the session's notes, stopping and closing."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from server.analysis.pipeline import recorded_output
from server.bridge.serial_bridge import PortState
from server.live.trial_desk import TrialDesk, known_plans
from server.recording.records import Kind
from server.recording.session_file import open_session
from server.trials.plan import COMMANDS_AT_MOST
from server.uplink.permits import PERMITTED_AT_MOST
from tests.server.http.page_server import PageServer, ask, run, sign_in
from tests.server.trials.trial_world import PING, plan_of
from tests.server.uplink.queue_world import dictionary

ADA = "Ada 1"
# Hazardous, and without an interlock on the tilt, which the vehicle model here does not report.
RELEASE = 'steps = [ { wait_s = 0.1 }, { send = "board_release" }, { send = "board_inhibit" } ]'
RECOVERY = 'steps = [ { send = "recovery_arm", args = { channel = 2 } } ]'
TOO_SOON = "too soon: look first, then confirm"
LOOK_S = 0.02


class Bench:
    """A page server with trials and a vehicle that obeys; `desk` is the trial desk, `socket` the operator's."""

    def __init__(self, server: PageServer, socket) -> None:
        self.server, self.socket = server, socket
        plans = {"release": plan_of(RELEASE), "link-ping": plan_of(PING), "recovery": plan_of(RECOVERY, 1)}
        self.desk = TrialDesk(server.station, plans, {"other": "odd"})
        server.site.trials = self.desk

    async def fly(self) -> None:
        """The vehicle takes what was sent and reports, until cancelled."""
        taken = 0
        while True:
            self.server.vehicle.now_s = self.server.station.now_s()
            for frame in self.server.sent[taken:]:
                taken += 1
                self.server.hear(self.server.vehicle.receive(frame))
            self.server.hear()
            await asyncio.sleep(LOOK_S)

    async def ask(self, act: str, **more: object) -> dict[str, object]:
        return await ask(self.socket, type="trial", act=act, **more)

    async def begin(self, plan: str = "release", cycles: int = 2) -> str:
        armed = await self.ask("arm", plan=plan, cycles=cycles)
        assert armed["ok"], armed
        await asyncio.sleep(0.35)
        begun = await self.ask("confirm", id=armed["id"])
        assert begun["ok"], begun
        return str(armed["id"])

    def state(self, id: str) -> dict[str, object]:
        """Return the newest note of a trial in the journal."""
        self.server.station.process()
        return [e for e in self.server.station.store.journal if (e["topic"], e["key"]) == ("trial", id)][-1]

    def commands(self) -> list[str]:
        return [view.command for view in self.server.station.commands()]


@asynccontextmanager
async def flying(server: PageServer) -> AsyncIterator[Bench]:
    async with server.desk() as socket:
        await sign_in(socket)
        bench = Bench(server, socket)
        task = asyncio.create_task(bench.fly())
        try:
            await asyncio.sleep(0.3)
            yield bench
        finally:
            task.cancel()


def on_bench(folder: Path, monkeypatch, what: Callable[[Bench], Awaitable[None]]) -> None:
    """Run a test's coroutine on a bench."""

    async def go(server: PageServer) -> None:
        async with flying(server) as bench:
            await what(bench)

    run(go, folder, monkeypatch)


def test_a_trial_by_two_acts_of_the_page_and_its_way_through_the_session(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        id = await bench.begin()
        result = await asyncio.wait_for(bench.desk.finished(), 20)
        assert (result["outcome"], result["passed"], result["safe"]) == ("passed", 2, True)
        assert bench.commands() == ["board_release", "board_inhibit"] * 2 + ["safe_all"]
        last = bench.state(id)
        assert last["text"] == "Trial t1 passed: 2 of 2 runs passed" and last["severity"] == "info"
        assert last["body"]["state"] == "passed" and last["body"]["plan"]["title"] == "Made up"
        assert last["body"]["result"]["latencies"][0]["count"] == 2
        states = [e["body"]["state"] for e in bench.server.station.store.journal if e["topic"] == "trial"]
        assert states[0] == "armed" and states[1] == "running" and states[-1] == "passed"
        # A replay of the same session folds the same notes.
        path = await bench.server.station.stop()
        session = open_session(path)
        origin_ns = session.header.origin_monotonic_ns
        entries = recorded_output(dictionary(), session.records, origin_ns).entries
        again = [e for e in entries if e.topic == "trial"][-1]
        assert (again.text, again.body["result"]["passed"]) == (last["text"], 2)

    on_bench(tmp_path, monkeypatch, what)


def test_a_recovery_channel_that_a_trial_armed_is_safed_by_its_own_command(tmp_path: Path, monkeypatch) -> None:
    """Safe all never touches it; that the desk asked is kept as an act, and only telemetry says that it is safe."""

    async def what(bench: Bench) -> None:
        vehicle = bench.server.vehicle
        vehicle.recovery_continuity = [1, 1]
        await asyncio.sleep(0.2)
        id = await bench.begin("recovery", 1)
        result = await asyncio.wait_for(bench.desk.finished(), 20)
        assert (result["outcome"], result["safe"], vehicle.recovery_armed) == ("passed", True, [0, 0])
        assert bench.commands() == ["recovery_arm", "safe_all", "recovery_safe"]
        session = open_session(await bench.server.station.stop())
        acts = [json.loads(record.payload)["body"] for record in session.records.of_kind(Kind.ACT)]
        asked = [act for act in acts if act.get("command") == "recovery_safe"]
        assert [(act["act"], act["trial"], act["args"], act["ok"]) for act in asked] == [
            ("trial send", id, {"channel": 2}, True)
        ]

    on_bench(tmp_path, monkeypatch, what)


def test_the_acts_are_refused_too_soon_twice_and_of_nothing(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        assert (await bench.ask("arm", plan="no-such", cycles=1))["sentence"] == "there is no trial plan 'no-such'"
        for cycles in (0, 10_001):
            assert "must be 1..10000" in (await bench.ask("arm", plan="release", cycles=cycles))["sentence"]
        for cycles in (True, "2", 2.5, None):
            said = (await bench.ask("arm", plan="release", cycles=cycles))["sentence"]
            assert said == "the number of cycles must be a whole number"
        assert (await bench.ask("dance"))["sentence"] == "this request is not understood"
        assert (await bench.ask("confirm", id="t9"))["sentence"].startswith("no trial is ready")
        assert (await bench.ask("cancel"))["sentence"] == "no trial is ready"
        for plan in ("release", "link-ping"):
            armed = await bench.ask("arm", plan=plan, cycles=1)
            assert (await bench.ask("confirm", id=armed["id"]))["sentence"] == TOO_SOON
        assert (await bench.ask("stop"))["sentence"] == "cancelled before anything was sent"
        assert bench.state(str(armed["id"]))["body"]["state"] == "cancelled"
        await asyncio.sleep(0.35)
        assert not (await bench.ask("confirm", id=armed["id"]))["ok"]
        assert bench.server.sent == []

    on_bench(tmp_path, monkeypatch, what)


def test_arming_another_plan_takes_the_first_one_back(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        first = await bench.ask("arm", plan="release", cycles=1)
        second = await bench.ask("arm", plan="link-ping", cycles=1)
        await asyncio.sleep(0.35)
        assert not (await bench.ask("confirm", id=first["id"]))["ok"]
        assert bench.server.station.permit("p1").state == "ended"
        assert (await bench.ask("confirm", id=second["id"]))["ok"]
        assert (await bench.ask("arm", plan="release", cycles=1))["sentence"] == "a trial is running; stop it first"
        assert (await asyncio.wait_for(bench.desk.finished(), 10))["outcome"] == "passed"
        assert set(bench.commands()) == {"ping"}

    on_bench(tmp_path, monkeypatch, what)


def test_only_the_holder_arms_and_anybody_signed_in_stops(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        async with bench.server.desk() as other:
            await sign_in(other, "Ben")
            for plan in ("release", "link-ping"):
                refused = await ask(other, type="trial", act="arm", plan=plan, cycles=1)
                assert "do not hold command authority" in refused["sentence"]
            for plan in ("release", "link-ping"):
                armed = await bench.ask("arm", plan=plan, cycles=1)
                await asyncio.sleep(0.35)
                refused = await ask(other, type="trial", act="confirm", id=armed["id"])
                assert refused["sentence"] == "only the person who got it ready can confirm it"
            id = await bench.begin(cycles=50)
            assert (await ask(other, type="trial", act="stop"))["sentence"] == "the trial stops and makes safe"
            result = await asyncio.wait_for(bench.desk.finished(), 10)
            assert (result["outcome"], result["cause"], result["safe"]) == ("stopped", "stopped by Ben 1", True)
            assert bench.state(id)["body"]["state"] == "stopped"
            assert bench.commands()[-1] == "safe_all"

    on_bench(tmp_path, monkeypatch, what)


@pytest.mark.parametrize("plan", ["release", "link-ping"])
def test_the_operators_page_closes_and_the_trial_stops(tmp_path: Path, monkeypatch, plan: str) -> None:
    async def what(bench: Bench) -> None:
        await bench.begin(plan, cycles=50)
        await asyncio.sleep(0.3)
        await bench.socket.close()
        result = await asyncio.wait_for(bench.desk.finished(), 10)
        assert (result["outcome"], result["cause"], result["failed"]) == ("stopped", "command authority changed", 0)

    on_bench(tmp_path, monkeypatch, what)


def test_a_sleep_between_the_acts_disarms_the_plan(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        armed = await bench.ask("arm", plan="release", cycles=1)
        await asyncio.sleep(0.35)
        clock = bench.server.station.clock
        real = clock.boottime_ns
        monkeypatch.setattr(clock, "boottime_ns", lambda: real() + 3_600_000_000_000)
        refused = bench.desk.confirm(ADA, str(armed["id"]))  # before the next tick of the station
        assert refused.sentence == "no plan is ready under that number; get it ready again"
        assert bench.server.sent == []

    on_bench(tmp_path, monkeypatch, what)


async def give_away_and_take_back(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    async with bench.server.desk() as other:
        await sign_in(other, "Ben")
        assert (await ask(other, type="take"))["ok"] and (await ask(bench.socket, type="take"))["ok"]


async def sleep(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = bench.server.station.clock
    real = clock.boottime_ns
    monkeypatch.setattr(clock, "boottime_ns", lambda: real() + 3_600_000_000_000)


async def make_safe(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    assert (await ask(bench.socket, type="safe_all"))["ok"]
    await asyncio.sleep(0.5)


async def lose_the_link(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    for state in ("missing", "open"):
        bench.server.station._port_changed(PortState(state, f"port is {state}"))
    await asyncio.sleep(0.3)


@pytest.mark.parametrize("event", [give_away_and_take_back, sleep, make_safe, lose_the_link])
@pytest.mark.parametrize("plan", ["release", "link-ping"])
def test_what_disarms_between_the_acts_ends_the_first_one(tmp_path: Path, monkeypatch, plan: str, event) -> None:
    """I4: one window for commands, permits and plans that need none; undoing what disarmed does not arm again."""

    async def what(bench: Bench) -> None:
        armed = await bench.ask("arm", plan=plan, cycles=1)
        assert armed["ok"], armed
        await asyncio.sleep(0.35)
        await event(bench, monkeypatch)
        before = len(bench.server.sent)
        refused = await bench.ask("confirm", id=armed["id"])
        assert not refused["ok"] and refused["sentence"].endswith("get it ready again")
        assert bench.desk.progress is None and len(bench.server.sent) == before

    on_bench(tmp_path, monkeypatch, what)


def test_while_everything_is_made_safe_no_plan_is_got_ready(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        monkeypatch.setattr(bench.server.vehicle, "receive", lambda frame: [])
        await make_safe(bench, monkeypatch)
        for plan in ("release", "link-ping"):
            said = (await bench.ask("arm", plan=plan, cycles=1))["sentence"]
            assert said == "safe all is under way; wait for its outcome; sent is not safe, use the arming key"

    on_bench(tmp_path, monkeypatch, what)


def test_closing_the_station_stops_the_trial_and_makes_safe(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        id = await bench.begin(cycles=50)
        await asyncio.sleep(0.5)
        await bench.desk.close()
        assert bench.state(id)["body"]["result"]["cause"] == "the station is closing"
        assert bench.state(id)["body"]["result"]["safe"] is True
        assert bench.server.vehicle.inhibited
        await bench.desk.close()  # nothing runs any more

    on_bench(tmp_path, monkeypatch, what)


def test_closing_with_a_deaf_vehicle_keeps_a_result_that_proves_nothing(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        id = await bench.begin(cycles=50)
        await asyncio.sleep(0.5)
        monkeypatch.setattr(bench.server.vehicle, "receive", lambda frame: [])
        await bench.desk.close()
        last = bench.state(id)
        assert last["body"]["result"]["safe"] is False and last["severity"] == "warning"

    on_bench(tmp_path, monkeypatch, what)


def test_after_a_restart_no_trial_goes_on_and_numbers_are_not_used_again(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        await bench.begin(cycles=50)
        station = bench.server.station
        station.process()
        fresh = TrialDesk(station, {"release": plan_of(RELEASE)})
        assert bench.state("t1")["text"] == "Trial t1 ended: the station was restarted"
        await bench.ask("stop")
        await asyncio.wait_for(bench.desk.finished(), 10)
        await asyncio.sleep(0.2)
        assert fresh.arm(ADA, "release", 1).id == "t2"

    on_bench(tmp_path, monkeypatch, what)


def test_a_persons_own_command_is_waited_for(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        await bench.begin(cycles=3)
        for on in (1, 0):
            assert (await ask(bench.socket, type="send", command="camera_power", args={"camera": 1, "on": on}))["ok"]
            await asyncio.sleep(0.4)
        result = await asyncio.wait_for(bench.desk.finished(), 20)
        assert result["outcome"] == "passed" and bench.commands().count("camera_power") == 2

    on_bench(tmp_path, monkeypatch, what)


def test_the_list_of_plans_is_what_fits_the_vehicle(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        answer = (await bench.server.http.get("/api/trials")).json()
        assert [plan["hazard"] for plan in answer["plans"]] == ["routine", "hazardous", "hazardous"]
        assert answer["problems"] == {"other": "odd"}
        shape = next(plan for plan in answer["plans"] if plan["cycles"] == 2)
        assert (shape["title"], shape["cycles"], shape["runs_per_cycle"]) == ("Made up", 2, 1)
        assert shape["lines"] and shape["cautions"]
        plans, problems = known_plans(bench.server.station)
        assert len(plans) == 6 and problems == {}

    on_bench(tmp_path, monkeypatch, what)


def test_a_station_without_trials_says_so(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer) -> None:
        assert (await server.http.get("/api/trials")).json() == {"plans": [], "problems": {}}
        async with server.desk() as socket:
            await sign_in(socket)
            assert (await ask(socket, type="trial", act="arm"))["sentence"] == "this station runs no trials"

    run(what, tmp_path, monkeypatch)


def test_no_plan_holds_more_than_the_command_desk_permits() -> None:
    assert COMMANDS_AT_MOST <= PERMITTED_AT_MOST
