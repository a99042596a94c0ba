"""The probe of the stalls bench sees what holds a loop up, and tells what of it the loop's own thread has used."""

from __future__ import annotations

import asyncio
import json
import threading
import time

from tests.bench.stall_probe import Probe, burn
from tests.bench.stalls import dictionary_at


def told_after(hold: object) -> dict[str, float]:
    """Let a loop be held up once, and return what its probe tells in milliseconds."""

    async def go() -> dict[str, float]:
        probe = Probe()
        task = asyncio.create_task(probe.run())
        thread = threading.Thread(target=probe.watch, daemon=True)
        thread.start()
        await asyncio.sleep(0.05)
        probe.forget()
        hold()
        await asyncio.sleep(0.05)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        probe.end()
        thread.join()  # it looks at this thread's frames, which are another test's next
        return json.loads(probe.told())

    return asyncio.run(go())


def test_a_turn_that_burns_is_its_own() -> None:
    told = told_after(lambda: burn(0.1))
    assert told["own_ms"] >= 100.0 and told["late_ms"] >= 97.0


def test_a_turn_that_waits_is_held_and_uses_little_itself() -> None:
    told = told_after(lambda: time.sleep(0.1))
    assert told["held_ms"] >= 90.0 and told["own_ms"] < 90.0


def test_the_dictionaries_flown_are_the_sandpipers_with_another_rate() -> None:
    assert [dictionary_at(rate).packets["navigation"].rate_hz for rate in (20, 100, 200)] == [20.0, 100.0, 200.0]
