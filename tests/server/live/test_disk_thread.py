"""The thread for the disk: in order, busy while it hangs, and nothing is done for somebody who has gone."""

from __future__ import annotations

import asyncio
import threading

import pytest

from server.live.disk_thread import DiskThread


def test_answers_and_errors_come_back_and_it_is_one_thread_of_its_own() -> None:
    async def go() -> None:
        disk = DiskThread("disk")
        names = [await disk.do(lambda: threading.current_thread(), 5.0) for _ in range(3)]
        assert len(set(names)) == 1 and names[0].name == "disk" and names[0].daemon
        with pytest.raises(ValueError, match="odd"):
            await disk.do(lambda: int("odd"), 5.0)
        assert await disk.do(lambda: 7, 5.0) == 7 and not disk.is_busy
        disk.end()
        names[0].join(5.0)
        assert not names[0].is_alive()

    asyncio.run(go())


def test_what_hangs_makes_it_busy_and_what_waited_in_vain_is_never_done() -> None:
    async def go() -> None:
        disk, go_on, done = DiskThread("disk"), threading.Event(), []
        with pytest.raises(TimeoutError):
            await disk.do(lambda: go_on.wait(30.0), 0.01)
        assert disk.is_busy
        with pytest.raises(TimeoutError):
            await disk.do(lambda: done.append("late"), 0.01)
        go_on.set()
        await disk.do(lambda: done.append("in time"), 5.0)
        assert done == ["in time"] and not disk.is_busy
        disk.end()

    asyncio.run(go())
