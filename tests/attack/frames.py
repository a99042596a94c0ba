"""The frames' campaign: signed by the station's own `Link` and `Addressee`, sent without its queue, a hundred times as fast.

Nothing holds these stations back, so what only the vehicle's own half stops gets there: frames of a station with another
dictionary, for another vehicle, held back for an hour and let go in order.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable

from protocol.dictionary import Dictionary
from protocol.identity import Identity
from protocol.link import NEED_DATA, Link, PacketReceived
from protocol.packets import TIME_MODULUS_MS
from server.uplink.addressee import Addressee
from tests.attack.air import Air, long_delay_s
from tests.attack.bench import KEPT, OTHER, OURS, SWAPPED, Table, drawn
from tests.attack.oracle import SAFES
from tests.server.uplink.queue_world import KEY, dictionary, swapped

EACH_START = 400  # commands
QUIET_S = 4.0  # after a start


class Signer:
    """A station without a queue: it knows the vehicle by what it hears, and signs what it is told to."""

    def __init__(self, words: Dictionary, vehicle_id: int) -> None:
        self.words, self.vehicle_id = words, vehicle_id
        self._link = Link(words, KEY, vehicle_id)
        self._addressee = Addressee(words, KEY, vehicle_id)

    def hears(self, data: bytes, now_s: float) -> None:
        """Take downlink bytes."""
        self._link.receive_data(data, now_s)
        while (event := self._link.next_event()) is not NEED_DATA:
            if isinstance(event, PacketReceived) and event.packet.name == "identity":
                self._addressee.on_identity(Identity.of(event.values), event.time_ms % TIME_MODULUS_MS, now_s)

    def signs(self, command: str, args: dict[str, float], counter: int, now_s: float) -> bytes:
        """Return the frame of a command."""
        return self._link.send(command, args, counter, self._addressee.valid_until_ms(now_s))


class Campaign:
    """Commands to three vehicles over the air, in virtual time."""

    def __init__(self, table: Table, seed: int, counter: int = 0, now_s: float = 0.0) -> None:
        self.table, self.rng = table, random.Random(seed)
        self.counter, self.now_s = counter, now_s
        self._air = Air(self.rng)
        us = table.vehicles[OURS].vehicle_id
        self._signers = {OURS: Signer(dictionary(), us), OTHER: Signer(dictionary(), us + 1), SWAPPED: Signer(swapped(), us)}
        self._recent: deque[tuple[bytes, int]] = deque(maxlen=300)
        self._old: deque[tuple[bytes, int]] = deque(maxlen=KEPT // 4)
        self._early: deque[tuple[bytes, int]] = deque(maxlen=100)  # sent when their start was young
        self._began_s = self._identity_s = 0.0
        self._stores_again = 0

    def run(self, commands: int, goes_on: Callable[[], bool]) -> None:
        """Send so many; end where it is told, looked at for each start of the vehicle."""
        last = self.counter + commands
        while self.counter < last and goes_on():
            self._start()
            for _ in range(EACH_START):
                if self.counter >= last:
                    break
                self._step()
            self.table.oracle.forget_before(self.counter - KEPT)

    def _start(self) -> None:
        self.table.restart(self.now_s, self.rng)
        self._began_s = self.now_s
        for frame, to in self._early:
            self._air.put(frame, self.now_s + self.rng.uniform(0.1, QUIET_S), to)
        self._early.clear()
        self._stores_again = 0
        self.now_s += QUIET_S
        self._come()
        self._say_who()

    def _step(self) -> None:
        self.now_s += self.rng.expovariate(2.5)
        if self.now_s - self._identity_s > 4.0:
            self._say_who()
        self._come()
        self._disturb()
        kind = self.rng.random()
        if kind < 0.02:
            self._hold_back()
        elif kind < 0.06 or (kind < 0.2 and not self.table.vehicles[OURS].stores):
            self._send_out(SAFES, OURS)
        else:
            self._send_out("", self.rng.choices((OURS, OTHER, SWAPPED), (90, 5, 5))[0])

    def _say_who(self) -> None:
        self._identity_s = self.now_s
        delay_s = self.rng.choice([0.0, 0.0, 0.05, 0.4])
        said = self.table.vehicles[OURS].identity(self.now_s - delay_s)
        for to, signer in self._signers.items():
            signer.hears(self.table.vehicles[OTHER].identity(self.now_s - delay_s) if to == OTHER else said, self.now_s)

    def _come(self) -> None:
        for due_s, frame, to in self._air.take(self.now_s):
            self.table.deliver(frame, to, due_s, self.rng)

    def _disturb(self) -> None:
        """Stores fail for a while; what was recorded is played again."""
        rng, ours = self.rng, self.table.vehicles[OURS]
        if ours.stores and rng.random() < 0.03:
            self._stores_again = self.counter + rng.randrange(1, 5)
            ours.fail_stores(True)
        elif not ours.stores and self.counter >= self._stores_again:
            ours.fail_stores(False)
        if self._recent and rng.random() < 0.15:
            frame, to = rng.choice(self._recent)
            self._air.put(frame, self.now_s, to)
        if self._old and rng.random() < 0.06:
            frame, to = rng.choice(self._old)
            self._air.put(frame, self.now_s, to)
        self._come()

    def _made(self, name: str, signer: int) -> bytes:
        """Sign a command by name, or any; one of the swapped dictionary's is only of the two that differ."""
        station, rng = self._signers[signer], self.rng
        command, args = drawn(station.words, rng)
        if signer == SWAPPED:
            command = station.words.commands[rng.choice(["channel_safe", "channel_fire"])]
            args = {"channel": rng.randrange(1, 5)}
        name, args = (name, {}) if name else (command.name, args)
        self.counter += 1
        frame = station.signs(name, args, self.counter, self.now_s)
        self.table.oracle.leaves(frame, station.vehicle_id, name, args.values(), self.now_s)
        self._recent.append((frame, OURS))
        self._old.append((frame, OURS))
        if self.now_s - self._began_s < QUIET_S + 6.0:
            self._early.append((frame, OURS))
        return frame

    def _send_out(self, name: str, signer: int) -> None:
        rng = self.rng
        frame = self._made(name, signer)
        copies = 1 + (rng.random() < 0.2) + (rng.random() < 0.1)
        for copy in range(copies):
            kind = rng.random()
            if kind < 0.06 and not copy:
                continue
            delay_s = rng.uniform(0.02, 0.3) if kind < 0.8 else rng.uniform(0.3, 4.0) if kind < 0.93 else long_delay_s(rng)
            others = 0.5 if name == SAFES else 0.1
            hears = {OURS, signer, *(other for other in (OTHER, SWAPPED) if rng.random() < others)}
            for to in sorted(hears):
                self._air.put(frame, self.now_s + delay_s + copy * rng.uniform(0.0, 2.0), to)

    def _hold_back(self) -> None:
        """Nothing gets through for a while; then what was sent comes in order."""
        rng, held = self.rng, []
        for _ in range(rng.randrange(1, 7)):
            held.append(self._made(SAFES if rng.random() < 0.05 else "", OURS))
            self.now_s += rng.uniform(0.1, 0.5)
        self.now_s += rng.uniform(1.0, 9.0) if rng.random() < 0.4 else long_delay_s(rng)
        for place, frame in enumerate(held):
            self._air.put(frame, self.now_s + 0.01 * place, OURS)
            if rng.random() < 0.3:
                self._air.put(frame, self.now_s + 0.01 * place + 0.005, OURS)
        self.now_s += 0.1
        self._come()
