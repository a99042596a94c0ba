"""The radio between vehicle and ground: bandwidth, delay, bursts of loss, bit errors, level against range.

Each direction carries radio frames one after the other at the modem's bit rate. Loss follows the two-state chain of
Gilbert and Elliott (E. N. Gilbert 1960, E. O. Elliott 1963, Bell System Technical Journal; from memory), stepped once
per radio frame; a frame below the receiver's sensitivity is lost too. Surviving frames get bit errors at a fixed rate.
Level: transmitter power + antenna gains - free-space loss (ITU-R P.525, tests/SOURCES.md, free-space-loss) - fixed other
losses + fading, a first-order Gauss-Markov process in dB (common practice, no source). One radio serves both
directions in turn, so a frame going up holds back the frames coming down.

Everything is decided in the order of the twin's cycles; how often the ground asks for bytes changes nothing.
"""

from __future__ import annotations

import math
import random
from collections import deque

from server.twin.sandpiper import ChannelNumbers, RadioNumbers

_LIGHT_M_S = 299792458.0


def free_space_loss_db(distance_m: float, frequency_hz: float) -> float:
    """Return 20 log10(4 pi d f / c) in dB (ITU-R P.525)."""
    return 20.0 * math.log10(4.0 * math.pi * distance_m * frequency_hz / _LIGHT_M_S)


class PropagationPath:
    """The received level over one path that both directions share."""

    def __init__(self, numbers: RadioNumbers, rng: random.Random) -> None:
        self._numbers, self._rng = numbers, rng
        self._fading_db = 0.0
        self._step_s, self._keep, self._kick = math.nan, 0.0, 0.0  # of the last step's length
        self.level_dbm = self._level(numbers.ground_station_distance_m)

    def step(self, seconds: float, position: tuple[float, float, float]) -> None:
        """Move the far end and let the fading wander. The ground station stands south of the pad."""
        numbers = self._numbers
        if seconds != self._step_s:  # always the same in a flight
            self._step_s, self._keep = seconds, math.exp(-seconds / numbers.fading_s)
            self._kick = numbers.fading_db * math.sqrt(1.0 - self._keep * self._keep)
        self._fading_db = self._keep * self._fading_db + self._kick * self._rng.gauss(0.0, 1.0)
        east, north, up = position
        self.level_dbm = self._level(math.hypot(east, north + numbers.ground_station_distance_m, up))

    def _level(self, distance_m: float) -> float:
        numbers = self._numbers
        loss = free_space_loss_db(max(distance_m, 1.0), numbers.frequency_hz)
        gains = numbers.power_dbm + 2.0 * numbers.antenna_gain_dbi - numbers.other_losses_db
        # The dictionary's level fields end at +-3276 dBm; a real receiver saturates long before its own transmitter.
        return max(-150.0, min(0.0, gains - loss + self._fading_db))


class Direction:
    """One direction. `send` queues a radio frame, `received` gives what has arrived."""

    def __init__(self, numbers: ChannelNumbers, sensitivity_dbm: float, rng: random.Random) -> None:
        self._numbers, self._sensitivity_dbm, self._rng = numbers, sensitivity_dbm, rng
        self._queue: deque[tuple[float, bool, bytes]] = deque()
        self._queued_bytes = 0
        self._free_s = 0.0
        self._in_burst = False
        self._arriving: deque[tuple[float, bytes]] = deque()
        self.frames_sent = self.frames_lost = self.frames_dropped = 0
        self.level_dbm = 0.0

    def send(self, frame: bytes, now_s: float, may_drop: bool) -> None:
        """Queue a radio frame; when more than the queue's time waits, the oldest that may be dropped goes."""
        self.transmit(now_s)
        self._queue.append((now_s, may_drop, frame))
        self._queued_bytes += len(frame)
        while self._queued_bytes > self._numbers.queue_s * self._numbers.bytes_per_s:
            place = next((i for i, item in enumerate(self._queue) if item[1]), None)
            if place is None:
                return
            self._queued_bytes -= len(self._queue[place][2])
            del self._queue[place]
            self.frames_dropped += 1

    def hold(self, until_s: float) -> None:
        """Keep silent until a time: the one radio is busy with the other direction."""
        self._free_s = max(self._free_s, until_s)

    def transmit(self, now_s: float) -> None:
        """Put on the air every frame whose turn has come by now."""
        queue = self._queue
        while queue and self._free_s <= now_s and queue[0][0] <= now_s:
            queued_s, _, frame = queue.popleft()
            self._queued_bytes -= len(frame)
            end = max(self._free_s, queued_s) + len(frame) / self._numbers.bytes_per_s
            self._free_s = end
            self.frames_sent += 1
            if self._is_lost():
                self.frames_lost += 1
            else:
                self._arriving.append((end + self._numbers.delay_s, self._with_bit_errors(frame)))

    @property
    def busy_until_s(self) -> float:
        """When the last frame put on the air will have left."""
        return self._free_s

    def received(self, now_s: float) -> bytes:
        """Return what has arrived by now, in order."""
        out = bytearray()
        while self._arriving and self._arriving[0][0] <= now_s:
            out += self._arriving.popleft()[1]
        return bytes(out)

    def _is_lost(self) -> bool:
        numbers, rng = self._numbers, self._rng
        if self._in_burst:
            self._in_burst = rng.random() >= numbers.leave_burst
        else:
            self._in_burst = rng.random() < numbers.enter_burst
        chance = numbers.loss_in_burst if self._in_burst else numbers.loss_outside
        # The draw comes first, so that the level never shifts the random stream.
        return rng.random() < chance or self.level_dbm < self._sensitivity_dbm

    def _with_bit_errors(self, frame: bytes) -> bytes:
        rate = self._numbers.bit_error_rate
        bits = 8 * len(frame)
        if self._rng.random() >= 1.0 - (1.0 - rate) ** bits:
            return frame
        damaged = bytearray(frame)
        # At these rates a second error in one frame is rare; one in eight damaged frames gets a short burst.
        first = self._rng.randrange(bits)
        for bit in range(first, min(bits, first + (1 if self._rng.random() < 0.875 else 4))):
            damaged[bit // 8] ^= 0x80 >> (bit % 8)
        return bytes(damaged)


class Radio:
    """Both directions over one path."""

    def __init__(
        self, numbers: RadioNumbers, rng_path: random.Random, rng_down: random.Random, rng_up: random.Random
    ) -> None:
        self.path = PropagationPath(numbers, rng_path)
        self.down = Direction(numbers.down, numbers.sensitivity_dbm, rng_down)
        self.up = Direction(numbers.up, numbers.sensitivity_dbm, rng_up)

    def step(self, now_s: float, seconds: float, position: tuple[float, float, float]) -> None:
        """Let the path change and both directions transmit."""
        self.path.step(seconds, position)
        self.down.level_dbm = self.up.level_dbm = self.path.level_dbm
        self.up.transmit(now_s)
        self.down.transmit(now_s)

    def from_ground(self, data: bytes, now_s: float) -> None:
        """Take bytes the ground transmitted, in radio frames of at most 128 bytes."""
        for start in range(0, len(data), 128):
            self.up.send(data[start : start + 128], now_s, may_drop=True)
        self.up.transmit(now_s)
        self.down.hold(self.up.busy_until_s)
