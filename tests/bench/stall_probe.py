"""A station with a probe in its event loop, for `tests.bench.stalls`: `python -m tests.bench.stall_probe live ...`.

A task sleeps for `PERIOD_S` again and again; what it is late by is a stall. Two more clocks tell what of it is the
station's: for how long the loop's thread was ready and had no processor, which is the machine's doing (Linux, schedstat),
and how much processor time it used in that turn. A thread looks where the loop is when it has used more than `LOOK_AFTER_S`
of it. Every line of standard input is answered with the longest of each since the last. `idle` in place of the station's
arguments: a loop with nothing but the probe.

`BURN=1` in the environment puts `BURN_S` of pure Python into the swing's judgement.
"""

from __future__ import annotations

import asyncio
import gc
import json
import os
import sys
import threading
import time
import traceback
from collections.abc import Awaitable, Callable
from dataclasses import replace

PERIOD_S = 0.002
LOOK_AFTER_S = 0.008
BURN_S = 2.0


class Probe:
    """The longest stalls of one event loop."""

    def __init__(self) -> None:
        self._thread = threading.get_ident()
        self._clock = time.pthread_getcpuclockid(self._thread)
        self._own = time.thread_time()
        self._schedule = os.open(f"/proc/self/task/{threading.get_native_id()}/schedstat", os.O_RDONLY)
        self._collected_s, self._collecting_since = 0.0, 0.0
        self._over = threading.Event()
        self.forget()
        gc.callbacks.append(self._on_collection)

    def _no_processor_s(self) -> float:
        return int(os.pread(self._schedule, 100, 0).split()[1]) / 1e9

    def forget(self) -> None:
        """Begin anew."""
        self.late_s, self.held_s, self.own_s, self._collected_s = 0.0, 0.0, 0.0, 0.0
        self.where = {}

    def told(self) -> str:
        """Return the longest as JSON, in milliseconds, and where the loop was found how often."""
        where = sorted(self.where.items(), key=lambda item: -item[1])[:6]
        names = {"late_ms": self.late_s, "held_ms": self.held_s, "own_ms": self.own_s, "collecting_ms": self._collected_s}
        return json.dumps({**{name: value * 1e3 for name, value in names.items()}, "where": where})

    def end(self) -> None:
        """Look no more."""
        self._over.set()
        gc.callbacks.remove(self._on_collection)
        os.close(self._schedule)

    async def run(self) -> None:
        """Beat for ever."""
        while True:
            beat, self._own, waited = time.perf_counter(), time.thread_time(), self._no_processor_s()
            await asyncio.sleep(PERIOD_S)
            late = time.perf_counter() - beat - PERIOD_S
            self.late_s = max(self.late_s, late)
            self.held_s = max(self.held_s, late - (self._no_processor_s() - waited))
            self.own_s = max(self.own_s, time.thread_time() - self._own)

    def watch(self) -> None:
        """Look where the loop is whenever its turn is long; in a thread of its own."""
        while not self._over.wait(LOOK_AFTER_S / 3):
            used = time.clock_gettime(self._clock) - self._own
            if used > LOOK_AFTER_S:
                frame = sys._current_frames().get(self._thread)
                ours = [f for f in traceback.extract_stack(frame) if "/server/" in f.filename or "/protocol/" in f.filename]
                chain = [f"{f.filename.rpartition('/server/')[2]}:{f.lineno} {f.name}" for f in ours[-3:]]
                place = " < ".join(reversed(chain)) or "outside"
                self.where[place] = max(self.where.get(place, 0.0), round(used * 1e3, 1))

    def _on_collection(self, phase: str, info: dict[str, int]) -> None:
        if threading.get_ident() != self._thread:
            return
        if phase == "start":
            self._collecting_since = time.perf_counter()
        else:
            self._collected_s = max(self._collected_s, time.perf_counter() - self._collecting_since)


async def probed(work: Callable[[], Awaitable[object]]) -> object:
    """Run some work in this loop with a probe beside it, answering every line of standard input."""
    probe = Probe()
    task = asyncio.create_task(probe.run())
    for run in (probe.watch, lambda: _answer(probe)):
        threading.Thread(target=run, daemon=True).start()
    try:
        return await work()
    finally:
        task.cancel()


def _answer(probe: Probe) -> None:
    for _ in sys.stdin:
        print(f"stalls {probe.told()}", flush=True)
        probe.forget()


def burn(seconds: float) -> None:
    """Use that much processor time in pure Python."""
    end = time.thread_time() + seconds
    while time.thread_time() < end:
        sum(number * number for number in range(1000))


def main() -> None:
    """Run a station, or an idle loop, with a probe."""
    if sys.argv[1:] == ["idle"]:
        asyncio.run(probed(asyncio.Event().wait))
        return
    from server.analysis import judging
    from server.cli import live
    from server.cli.cli import main as cli

    if os.environ.get("BURN"):

        def burning(judge):  # noqa: ANN001, ANN202
            return lambda case: (burn(BURN_S), judge(case))[1]

        judging.JUDGEMENTS = tuple(
            replace(one, judge=burning(one.judge)) if one.subject == "swing" else one for one in judging.JUDGEMENTS
        )
    run_live = live.run_live
    live.run_live = lambda *given, **named: probed(lambda: run_live(*given, **named))
    sys.exit(cli())


if __name__ == "__main__":
    main()
