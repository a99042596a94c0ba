"""The queue's campaign: every command is a person's act at the real `CommandQueue`, every frame is heard by compiled C.

Nothing is spared: people, disk, both ways of the air, vehicle and station restart, another vehicle or another dictionary is
on the air for a while, who is speaking is forged, and what was recorded is played again. Time is an argument.
"""

from __future__ import annotations

import random
from collections import Counter, deque
from collections.abc import Callable

from server.uplink.command_state import State
from tests.attack.air import Air, forged, long_delay_s
from tests.attack.bench import KEPT, OTHER, OURS, SWAPPED, Table, arguments
from tests.attack.oracle import SAFES
from tests.attack.station import PERSON, Shown, Station, board_values
from tests.server.uplink.queue_world import Disk, dictionary

EACH_START = 60  # commands
EACH_STATION = 250
OTHERS = ("ping", "camera_power", "camera_record", "fin_move", "fin_sweep", "fin_center", "channel_safe", "recovery_safe")
LIVE = (State.QUEUED, State.SENT, State.ACCEPTED)


class TwoWays(Air):
    """The air up to the vehicles and down to the station."""

    def up(self, frame: bytes, now_s: float, to: int, safes: bool) -> None:
        """Send a frame up: once, twice, late, not at all."""
        rng = self.rng
        for copy in range(1 + (rng.random() < 0.2)):
            kind = rng.random()
            if kind < 0.08 and not copy:
                continue
            delay_s = rng.uniform(0.02, 0.3) if kind < 0.85 else rng.uniform(0.3, 4.0) if kind < 0.95 else long_delay_s(rng)
            others = 0.5 if safes else 0.1
            for who in (to, *(other for other in (OTHER, SWAPPED) if rng.random() < others)):
                self.put(frame, now_s + delay_s + copy * rng.uniform(0.0, 2.0), who)


class Campaign:
    """People command one vehicle; two more listen; the world is against them."""

    def __init__(self, table: Table, seed: int) -> None:
        self.table, self.rng = table, random.Random(seed)
        self.now_s = 0.0
        self.disk = Disk()
        self.refused: Counter[str] = Counter()  # what the queue told a person
        self.asked = self.hazardous = self.safe_alls = 0
        self.shown = Shown(table)
        self._up, self._down = TwoWays(self.rng), Air(self.rng)
        self._old: deque[bytes] = deque(maxlen=KEPT // 8)
        self._early: deque[bytes] = deque(maxlen=40)
        self._heard_down: deque[bytes] = deque(maxlen=200)
        self._on_air, self._identity_s, self._began_s = OURS, -9.0, 0.0
        self._begin_station()
        self._restart()

    def run(self, commands: int, goes_on: Callable[[], bool]) -> None:
        """Have so many commands asked for that were let through; give up where hardly any is, end where it is told."""
        last = self.asked + commands
        for _ in range(10 * commands):
            self._round()
            if self.asked >= last or not goes_on():
                break
        self.close()

    def close(self) -> None:
        """Let what is on its way come, and judge what was shown."""
        self._pass(30.0)
        self.shown.close()

    # ------------------------------------------------------------ the world

    def _begin_station(self) -> None:
        self.shown.close()
        self.shown.station += 1
        self.station = Station(self.table, self.disk, self._up, self.shown, self.now_s)
        self.table.oracle.forget_before(self.disk.covered - KEPT)
        self._station_until = self.asked + self.rng.randrange(1, 2 * EACH_STATION)

    def _restart(self) -> None:
        """Our vehicle is switched off and on, by somebody or by the load of what it fired."""
        self.table.restart(self.now_s, self.rng, one_each=True)
        self._began_s, self._identity_s = self.now_s, -9.0
        self._start_until = self.asked + self.rng.randrange(1, 2 * EACH_START)
        for frame in self._early:
            self._up.put(frame, self.now_s + self.rng.uniform(0.1, 4.0), OURS)
        self._early.clear()
        self.station.values = board_values()

    def _pass(self, seconds: float) -> None:
        """Let time pass in steps, with all that comes up and down."""
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            step_s = min(end_s - self.now_s, 0.4 if seconds < 12.0 else seconds / 25.0)
            self._advance(self.now_s + step_s)

    def _advance(self, now_s: float) -> None:
        self.now_s = max(now_s, self.station.now_s)
        self.station.now_s = self.now_s
        if self.now_s - self._identity_s >= 1.0:
            self._say_who()
        for due_s, frame, to in self._up.take(self.now_s):
            self.table.deliver(frame, to, due_s, self.rng)
        self._answer()
        for _, frame, speaker in self._down.take(self.now_s):
            if speaker < 0:
                self._heard_down.append(frame)
                self.station.hears(frame)
            else:
                self.station.hears(frame, self.table.vehicles[speaker], speaker == SWAPPED)
        self.station.tick(self.now_s)

    def _say_who(self) -> None:
        self._identity_s = self.now_s
        speaker = self.table.vehicles[self._on_air]
        frame = speaker.identity(self.now_s)
        if self.rng.random() < 0.1:
            return
        if self.rng.random() < 0.02:
            self._down.put(frame, self.now_s + self.rng.uniform(0.1, 3.0), self._on_air)  # late
            return
        if self._on_air == OURS and self.rng.random() < 0.03:
            self.station.hears(self._with_another_clock(frame))
        self.station.hears(frame, speaker, self._on_air == SWAPPED)

    def _with_another_clock(self, frame: bytes) -> bytes:
        """Forge who is speaking: the same, its clock 1.9 s ahead, by somebody without the key."""
        return forged(frame, self.rng, (6, 10), 1900)

    def _answer(self) -> None:
        """What the vehicle on the air answers comes down, some of it late or twice; recordings are played into it."""
        rng = self.rng
        for place, vehicle in enumerate(self.table.vehicles):
            for frame, answer in vehicle.take_answers():
                if place != self._on_air:
                    continue
                if place == OURS and answer.stage == "completed":
                    self._effect(answer.counter)
                kind = rng.random()
                if kind < 0.08:
                    continue
                self._down.put(frame, self.now_s + (0.01 if kind < 0.9 else rng.uniform(0.1, 6.0)), -1)
                if kind > 0.95:
                    self._down.put(frame, self.now_s + long_delay_s(rng, 0.1), -1)
        if self._heard_down and rng.random() < 0.02:
            self._down.put(rng.choice(self._heard_down), self.now_s, -1)

    def _effect(self, counter: int) -> None:
        """Telemetry follows what was done."""
        values = self.station.values
        left = self.table.oracle.of(counter)
        if left is None:
            return
        values["uplink.last_counter"] = max(values["uplink.last_counter"], float(counter))
        n = f"[{left.args[0]:g}]" if left.args else ""
        if left.command in (SAFES, "board_inhibit"):
            values |= {"board.inhibited": 1.0, **{f"channel[{n}].armed": 0.0 for n in (1, 2, 3, 4)}}
        elif left.command == "board_release":
            values["board.inhibited"] = 0.0
        elif left.command.startswith("fin"):
            values |= {f"fin[{k}].measured": 0.0 for k in (1, 2, 3, 4)}
            values[f"fin{n}.measured"] = left.args[1] if len(left.args) == 2 else 0.0
        elif left.command.startswith("camera"):
            values[f"camera{n}.{left.command[7:]}ed".replace("recorded", "recording")] = left.args[1]
        elif left.command != "ping":  # channel_fire, recovery_arm, ...
            part, _, does = left.command.partition("_")
            values |= {f"{part}{n}.fired": 1.0} if does == "fire" else {f"{part}{n}.armed": float(does == "arm")}

    # ------------------------------------------------------------ people

    def _round(self) -> None:
        """One thing is done, and waited for."""
        rng = self.rng
        self._happen()
        station = self.station
        self._advance(self.now_s + rng.uniform(0.1, 0.6))
        if rng.random() < 0.03:
            reply = station.queue.safe_all(PERSON if rng.random() < 0.5 else "Ben 1", self.now_s)
            station.carry_out()
            self.safe_alls += 1
            self.asked += 1
            if not reply.ok:
                self.table.oracle.fault("Safe all refused", reply.sentence)
            self._pass(rng.uniform(0.5, 3.0))
            return
        name = self._wanted()
        command = dictionary().commands[name]
        station.holds_back = rng.random() < 0.04
        reply = station.act(name, arguments(command, rng), command.hazard, rng)
        self.now_s = max(self.now_s, station.now_s)
        if not reply.ok:
            self.refused[self._reason(reply.sentence)] += 1
            self._pass(rng.uniform(0.2, 1.5))
            station.holds_back = False
            return
        self.asked += 1
        self.hazardous += command.hazard == "hazardous"
        if rng.random() < 0.02:  # it browns out as it obeys, and its answer is never sent
            self._advance(self.now_s + 0.15)
            for vehicle in self.table.vehicles:
                vehicle.take_answers()
            self._down.take(self.now_s)
            self._restart()
        for _ in range(9):
            view = station.queue.view(reply.id or "")
            if view is None or view.state not in LIVE:
                break
            self._advance(self.now_s + rng.uniform(0.2, 0.5))
        self._old.extend(station.sent_frames)
        if self.now_s - self._began_s < 10.0:
            self._early.extend(station.sent_frames)
        station.sent_frames.clear()
        if station.holds_back:
            self._let_go()

    def _wanted(self) -> str:
        """Return the name of a command: mostly a hazardous one that the interlocks let through."""
        rng, values = self.rng, self.station.values
        if rng.random() < 0.3:
            return rng.choice(OTHERS)
        if values["board.inhibited"] and rng.random() < 0.9:
            return "board_release"
        channel = rng.choice(["channel", "recovery"])
        return channel + ("_fire" if values[f"{channel}[1].armed"] and rng.random() < 0.7 else "_arm")

    def _let_go(self) -> None:
        """What was held back arrives, in order, after a while in which nothing else was sent."""
        rng, held = self.rng, self.station.held
        self.station.holds_back, self.station.held = False, []
        self._pass(rng.uniform(1.0, 6.0) if rng.random() < 0.5 else long_delay_s(rng))
        for place, frame in enumerate(held):
            self._up.put(frame, self.now_s + 0.01 * place, OURS)
        self._advance(self.now_s + 0.1)

    def _happen(self) -> None:
        """What befalls vehicle and station between two acts."""
        rng, ours = self.rng, self.table.vehicles[OURS]
        if self.asked >= self._start_until:
            self._restart()
        if self.asked >= self._station_until:
            self._begin_station()
        self.disk.failures = 2 if rng.random() < 0.01 else 0
        if not ours.stores or rng.random() < 0.03:
            ours.fail_stores(ours.stores)
        self._on_air = OURS
        if rng.random() < 0.02:
            self._on_air = rng.choice([OTHER, SWAPPED])
            self._identity_s = -9.0
        elif rng.random() < 0.01:
            self._identity_s = self.now_s + 6.0  # not heard for a while
            self._pass(6.0)
        if self._old and rng.random() < 0.1:
            self._up.put(rng.choice(self._old), self.now_s, OURS)

    @staticmethod
    def _reason(sentence: str) -> str:
        """Return a refusal without its numbers."""
        return " ".join(word for word in sentence.split() if not any(c.isdigit() for c in word))[:90]
