"""What the radio loses of each kind of packet, in what bursts, how long each was silent, and how full the channel is.

Loss comes from the 14-bit sequence counts, one series per APID (CCSDS 133.0-B): whoever follows them says with each
packet how many of its kind are missing before it. A run of missing packets of one kind is a burst.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from math import inf, isfinite
from types import MappingProxyType

import numpy as np

from protocol.arrays import Floats, Ints

BITS_PER_BYTE = 10  # asynchronous serial: start bit, eight data bits, stop bit
WINDOW_S = 10.0  # of the throughput; common practice, no source
COUNT_MODULUS = 16384
FEW = 64  # frames; fewer are counted faster one by one


@dataclass(frozen=True, slots=True)
class TypeReport:
    """One kind of packet at one moment.

    `bursts` maps the length of a run of missing packets to how often it came. `longest_silence_s` is the longest time
    between two packets, the present one included; `age_s` the time since the last, None before the first.
    """

    received: int
    lost: int
    loss: float
    bursts: MappingProxyType[int, int]
    mean_burst: float | None
    longest_silence_s: float
    age_s: float | None


@dataclass(slots=True)
class _Kind:
    received: int = 0
    lost: int = 0
    bursts: dict[int, int] = field(default_factory=dict)
    longest_s: float = 0.0
    last_s: float = -inf


class LinkTypes:
    """Counts frames in order of arrival, in pieces of any length; the result does not depend on the cuts."""

    def __init__(self, kinds: int, modem_baud: float) -> None:
        """Prepare for so many kinds of packet over a modem of a bit rate (bit/s)."""
        self._kinds = [_Kind() for _ in range(kinds)]
        self.capacity_b_s = modem_baud / BITS_PER_BYTE
        self._recent: deque[tuple[float, float]] = deque()
        self._first_s: float | None = None
        self._now_s = -inf

    def take(self, kind: Ints, gap: Ints, t_s: Floats, size_b: Ints) -> None:
        """Take frames: kind (index; outside the range only its bytes count), packets missing before it, arrival, bytes.

        Each shape (n,). A time that is not finite or runs back counts as the time of the frame before; a gap that no
        14-bit count can tell counts as none.
        """
        if len(kind) > FEW:
            self._take_many(kind, gap, t_s, size_b)
            return
        kinds, recent, count = self._kinds, self._recent, len(self._kinds)
        for which, missing, t, size in zip(kind.tolist(), gap.tolist(), t_s.tolist(), size_b.tolist(), strict=True):
            if isfinite(t) and t > self._now_s:
                self._now_s = t
            now = self._now_s
            if not isfinite(now):
                continue
            if self._first_s is None:
                self._first_s = now
            recent.append((now, size))
            while recent[0][0] <= now - WINDOW_S:
                recent.popleft()
            if not 0 <= which < count:
                continue
            one = kinds[which]
            one.received += 1
            if 0 < missing < COUNT_MODULUS:
                one.lost += missing
                one.bursts[missing] = one.bursts.get(missing, 0) + 1
            if now - one.last_s > one.longest_s and one.received > 1:
                one.longest_s = now - one.last_s
            one.last_s = now

    def _take_many(self, kind: Ints, gap: Ints, t_s: Floats, size_b: Ints) -> None:
        """Do the same by columns."""
        now = np.maximum.accumulate(np.concatenate(([self._now_s], np.where(np.isfinite(t_s), t_s, -inf))))[1:]
        self._now_s = float(now[-1])
        known = np.isfinite(now)
        if not known.any():
            return
        now, kind, gap, size_b = now[known], kind[known], gap[known], size_b[known]
        if self._first_s is None:
            self._first_s = float(now[0])
        late = now > self._now_s - WINDOW_S
        self._recent.extend(zip(now[late].tolist(), size_b[late].tolist(), strict=True))
        while self._recent[0][0] <= self._now_s - WINDOW_S:
            self._recent.popleft()
        for which, one in enumerate(self._kinds):
            mine = kind == which
            times, missing = now[mine], gap[mine]
            if not len(times):
                continue
            for lost in missing[(missing > 0) & (missing < COUNT_MODULUS)].tolist():
                one.lost += lost
                one.bursts[lost] = one.bursts.get(lost, 0) + 1
            silent = np.diff(times, prepend=one.last_s if one.received else times[0])
            one.longest_s = max(one.longest_s, float(silent.max()))
            one.received += len(times)
            one.last_s = float(times[-1])

    def report(self, now_s: float) -> tuple[TypeReport, ...]:
        """Return the report of every kind, in their order, at a time (s) not before the last frame."""
        return tuple(_reported(one, now_s) for one in self._kinds)

    def throughput_b_s(self, now_s: float) -> float:
        """Return bytes per second over the last `WINDOW_S`, over less at the beginning (one second at least)."""
        if self._first_s is None:
            return 0.0
        size = sum(size for t, size in self._recent if t > now_s - WINDOW_S)
        return size / min(WINDOW_S, max(1.0, now_s - self._first_s))

    def use(self, now_s: float) -> float:
        """Return the share of the modem's capacity (bit rate / 10 bytes per second) that the throughput takes."""
        return self.throughput_b_s(now_s) / self.capacity_b_s if self.capacity_b_s > 0.0 else 0.0


def _reported(one: _Kind, now_s: float) -> TypeReport:
    sent = one.received + one.lost
    runs = sum(one.bursts.values())
    age = max(0.0, now_s - one.last_s) if one.received else None
    return TypeReport(
        received=one.received,
        lost=one.lost,
        loss=one.lost / sent if sent else 0.0,
        bursts=MappingProxyType(dict(sorted(one.bursts.items()))),
        mean_burst=one.lost / runs if runs else None,
        longest_silence_s=max(one.longest_s, age or 0.0),
        age_s=age,
    )
