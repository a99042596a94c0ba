"""Can the commands be worn down? `python -m tests.bench.soak` sends 10 000 to the simulated vehicle over a wretched link.

Real: command queue, authority, link watch, both ends of the wire, the twin with its order desk and radio channel (30 %
of the frames lost each way, bit errors on top), the key and its counters on a disk. Simulated: the time, the people, and
restarts of vehicle and station in the midst of commands. `link_loss` as the interlocks see it is left at nil, because
at 30 % that interlock would let nothing hazardous leave, and there would be nothing to see.

Printed: what was sent and executed; what must be nil; how many outcomes stayed unknown; the time to proof. The exit code
is 1 when anything that must be nil is not. `--commands 500` is the short form that the tests run.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from server.twin.scenario import Scenario
from server.twin.twin import Twin
from server.uplink.command_state import UNSENT, State
from server.uplink.counter_store import CounterStore
from server.uplink.key_file import load_or_make_key
from server.uplink.key_names import KEY_FILE
from tests.bench.soak_tally import Executed, Tally
from tests.server.uplink.queue_oracles import SAFES
from tests.server.uplink.queue_world import KEY, A, B, World

LOSS = 0.30
BIT_ERROR_RATE = 1e-4  # about one frame of 40 bytes in thirty
SCENARIO = Scenario(
    "soak",
    "A radio that loses 30 % each way",
    {
        f"radio.{way}.{name}": value
        for way in ("down", "up")
        for name, value in (("enter_burst", 0.0), ("loss_outside", LOSS), ("bit_error_rate", BIT_ERROR_RATE))
    },
)
PATIENCE_S = 9.0  # longer than any command stays without an outcome: 3 s to live, then 5 s for the effect
UNDER_WAY = ("queued", "sent", "accepted", "completed")
CHOICES = [
    ("ping", {}),
    *[("camera_power", {"camera": n, "on": on}) for n in (1, 2, 3) for on in (0, 1)],
    ("camera_record", {"camera": 1, "on": 1}),
    ("board_inhibit", {}),
    ("fin_center", {}),
    *[("fin_move", {"fin": n, "angle": 0.1}) for n in (1, 2, 3, 4)],
    *[("channel_safe", {"channel": n}) for n in (1, 2, 3, 4)],
    *[("channel_arm", {"channel": n}) for n in (1, 2, 3, 4)] * 2,
    *[("channel_fire", {"channel": n}) for n in (1, 2, 3, 4)] * 3,
    *[(f"recovery_{act}", {"channel": n}) for act in ("arm", "fire", "safe") for n in (1, 2)],
]
FIRST = [("ground_test", {"on": 1}), ("board_release", {})]  # without these two most others are not ready


class TwinVehicle:
    """The twin in the place of the test world's small vehicle; its radio is the way up and the way down as well."""

    cut = False

    def __init__(self) -> None:
        self.twin = Twin(
            scenario=SCENARIO, seed=1, dictionary=World().dictionary, key=KEY, boot_id=65530, ignite_after_s=None
        )
        self.executed: list[Executed] = []
        self.now_s = 0.0
        self._seen = 0

    def telemetry(self) -> list[bytes]:
        """Return nothing: what the twin sends comes out of `take`."""
        return []

    def put(self, frame: bytes, now_s: float) -> None:
        """Take a frame from the ground."""
        self.twin.uplink(frame)

    def take(self, now_s: float) -> list[bytes]:
        """Let the twin live until now; return what the ground hears."""
        heard = self.twin.advance(now_s)
        self._note_executed()
        return [heard] if heard else []

    def reboot(self) -> None:
        """Restart the flight computer; burned igniter simulators are replaced meanwhile."""
        self.twin.reboot()
        self._seen = 0
        self.renew_igniters()

    def renew_igniters(self) -> None:
        """Put in new igniter simulators."""
        board = self.twin.computer.airframe.board
        for channel in board.lateral + board.recovery:
            channel.continuity, channel.fired = True, False

    def _note_executed(self) -> None:
        orders = self.twin.orders.executed
        for counter, command in orders[self._seen :]:
            self.executed.append(Executed(self.twin.boot_id, counter, command))
        self._seen = len(orders)


class Nothing:
    """The way up as the world polls it: empty, because the twin's own radio carries it."""

    cut = False

    def __init__(self, vehicle: TwinVehicle) -> None:
        self.put = vehicle.put

    def take(self, now_s: float) -> list[bytes]:
        """Return nothing."""
        return []


class KeyDisk:
    """The disk of the world with the real counters; a crash opens them anew."""

    failures = 0

    def __init__(self, folder: Path) -> None:
        self._keys, self._copies = folder / "keys", folder / "counters"
        self._keys.mkdir()
        (self._keys / KEY_FILE).touch(mode=0o600)
        (self._keys / KEY_FILE).write_text(KEY.hex())
        self._counters().begin()
        self.intents: dict[tuple[int, str], tuple[int | None, int]] = {}
        self.crash()

    def crash(self) -> None:
        """The station ended: what it only remembered is gone."""
        self.store = self._counters()
        self.take, self.take_spare = self.store.take, self.store.take_spare
        self.store.reserve()

    @property
    def covered(self) -> int:
        """The highest counter that may have been used."""
        return self.store.last()

    def keep(self, intent: dict[str, object]) -> None:
        """Remember which command went out under which counter."""
        where = (int(intent["generation"]), str(intent["id"]))
        boot_id = None if intent["command"] == SAFES else int(intent["boot_id"])  # that is asked of any start
        self.intents[where] = (boot_id, int(intent["counter"]))

    def _counters(self) -> CounterStore:
        return CounterStore(self._keys, load_or_make_key(self._keys, self._copies), self._copies)


class SoakWorld(World):
    """The test world around the real queue, with the twin and the real counters in it."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.vehicle = TwinVehicle()
        self.up, self.down = Nothing(self.vehicle), self.vehicle
        self.disk = KeyDisk(folder)
        self.log.clear()
        self.changes.clear()
        self.start_station()

    def reboot(self, boot_id: int | None = None) -> None:
        """The vehicle restarts."""
        self.vehicle.reboot()


class Soak:
    """People who command, and what goes wrong meanwhile. Everything is drawn from one seed."""

    def __init__(self, folder: Path, seed: int = 1) -> None:
        self.world = SoakWorld(folder)
        self.tally = Tally(self.world)
        self.rng = random.Random(seed)
        self.reboots = self.restarts = 0
        self._operator = A
        self.world.advance(6.0)

    def run(self, commands: int) -> Iterator[int]:
        """Command until so many have been sent; yields how many have, now and then."""
        while self.tally.sent < commands:
            self._one()
            self._look()
            yield self.tally.sent
        self.world.advance(PATIENCE_S)
        self._look()
        self.tally.finish()

    def _look(self) -> None:
        self.tally.look()
        self.world.log.clear()
        self.world.changes.clear()

    def _one(self) -> None:
        """One command, or a few at once, often with something in the midst of it."""
        rng = self.rng
        if rng.random() < 0.03:
            self._wait_for([self.world.safe_all(self._operator).id])
            return
        if rng.random() < 0.05:
            routine = [("ping", {}), ("channel_safe", {"channel": 1}), ("camera_power", {"camera": 2, "on": 1})]
            self._wait_for([self._act(*rng.choice(routine)) for _ in range(rng.randint(2, 6))])
            return
        command, args = rng.choice(CHOICES)
        id = self._act(command, args)
        if id is None:
            needed = next((f for f in FIRST if self._is_missing(*f)), ("ping", {}))
            id = self._act(*needed)
        self._wait_for([id])
        if command.endswith("_fire"):
            self.world.vehicle.renew_igniters()

    def _is_missing(self, command: str, args: dict[str, float]) -> bool:
        role, wanted = ("vehicle_phase", 1) if command == "ground_test" else ("board.inhibited", 0)
        reading = self.world.latest.get(role)
        return reading is None or reading.value != wanted

    def _act(self, command: str, args: dict[str, float]) -> str | None:
        """Give a command with the acts it needs; None when it was refused or given up on the way."""
        world, rng = self.world, self.rng
        if world.dictionary.commands[command].hazard == "routine":
            return world.submit(command, self._operator, **args).id
        armed = world.arm(command, self._operator, **args)
        if not armed.ok:
            return None
        world.advance(rng.choice((0.1, 0.4, 0.4, 0.4, 0.4, 0.4, 0.8, 2.0, 11.0 if rng.random() < 0.1 else 0.4)))
        if rng.random() < 0.03:
            world.cancel(armed.id, self._operator)
        if rng.random() < 0.05:
            self._disturb()
        reply = world.confirm(armed.id, command, self._operator, **args)
        if rng.random() < 0.03:
            world.confirm(armed.id, command, self._operator, **args)
        return armed.id if reply.ok else None

    def _wait_for(self, ids: list[str | None]) -> None:
        """Let time pass until these are told of, or are overdue; now and then something happens meanwhile."""
        world, rng = self.world, self.rng
        disturbed_s = world.now_s + rng.uniform(0.0, 1.5) if rng.random() < 0.12 else None
        until_s = world.now_s + PATIENCE_S
        while world.now_s < until_s:
            world.advance(0.1)
            if disturbed_s is not None and world.now_s >= disturbed_s:
                disturbed_s = None
                self._disturb()
            views = [world.queue.view(id) for id in ids if id is not None]
            if not any(view is not None and view.state.value in UNDER_WAY for view in views):
                break
        world.advance(rng.choice((0.1, 0.3)))

    def _disturb(self) -> None:
        what = self.rng.choice(("reboot", "reboot", "restart", "restart", "link", "authority", "sleep", "safe all"))
        world = self.world
        if what == "reboot":
            self.reboots += 1
            world.reboot()
        elif what == "restart":
            self.restarts += 1
            self._look()
            self.tally.close_generation(UNSENT, State.ABANDONED)
            world.start_station()
            world.advance(1.2)
            self._operator = A
        elif what == "link":
            world.link_lost()
            world.link_found()
        elif what == "authority":
            self._operator = B if self._operator == A else A
            world.take(self._operator)
        elif what == "sleep":
            world.sleep()
        else:
            world.safe_all(self._operator)


@contextmanager
def soaked(commands: int, tell: bool = False) -> Iterator[Soak]:
    """Run a soak in a folder of its own and give it back when done."""
    with tempfile.TemporaryDirectory() as folder:
        soak, told = Soak(Path(folder)), 0
        for sent in soak.run(commands):
            if tell and sent >= told + 1000:
                told = sent
                print(f"... {sent}", flush=True)
        yield soak


def main() -> int:
    """Run and print; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--commands", type=int, default=10_000)
    began = time.monotonic()
    with soaked(parser.parse_args().commands, tell=True) as soak:
        tally = soak.tally
        for number, what in report(soak):
            print(f"{number:>9}  {what}")
        median_s, late_s = proof_times_s(tally.proof_s)
        print(f"time from the last act to verified: median {median_s:.2f} s, 99th percentile {late_s:.2f} s")
        print(f"{soak.world.now_s:.0f} simulated seconds in {time.monotonic() - began:.0f} s")
    wrong = sum(tally.must_be_nil().values())
    print("everything that must be nil is nil" if not wrong else "NOT everything that must be nil is nil")
    return min(wrong, 1)


def report(soak: Soak) -> Iterator[tuple[int, str]]:
    """Yield the counts and what they count."""
    tally = soak.tally
    yield tally.sent, "commands sent"
    yield tally.frames, "frames sent"
    yield tally.hazardous, "hazardous commands sent"
    yield tally.executions, "executed"
    yield soak.reboots, "restarts of the vehicle"
    yield soak.restarts, "restarts of the station"
    for what, number in tally.must_be_nil().items():
        yield number, f"{what} (must be 0)"
    for state, number in sorted(tally.outcomes().items()):
        yield number, f"ended as {state}"


def proof_times_s(times_s: list[float]) -> tuple[float, float]:
    """Return median and 99th percentile (inclusive method, statistics.quantiles) of the times."""
    return statistics.median(times_s), statistics.quantiles(times_s, n=100, method="inclusive")[98]


if __name__ == "__main__":
    sys.exit(main())
