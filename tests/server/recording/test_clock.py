"""The station's clocks."""

from __future__ import annotations

import time

from server.recording.clock import FakeClock, SystemClock


def test_system_clock_reads_the_machines_own_clocks() -> None:
    clock = SystemClock()
    for own, reference in ((clock.monotonic_ns, time.monotonic_ns), (clock.wall_ns, time.time_ns)):
        before, now, after = reference(), own(), reference()
        assert before <= now <= after


def test_boot_time_is_never_behind_monotonic_time() -> None:
    clock = SystemClock()
    monotonic_ns = clock.monotonic_ns()
    assert clock.boottime_ns() >= monotonic_ns


def test_fake_clock_moves_only_as_told() -> None:
    clock = FakeClock(monotonic_ns=10, boottime_ns=20, wall_ns=30)
    assert (clock.monotonic_ns(), clock.boottime_ns(), clock.wall_ns()) == (10, 20, 30)
    clock.advance(1e-9)
    assert (clock.monotonic_ns(), clock.boottime_ns(), clock.wall_ns()) == (11, 21, 31)
    clock.suspend(2e-9)
    assert (clock.monotonic_ns(), clock.boottime_ns(), clock.wall_ns()) == (11, 23, 33)
    clock.step_wall(-3e-9)
    assert (clock.monotonic_ns(), clock.boottime_ns(), clock.wall_ns()) == (11, 23, 30)


def test_a_reboot_starts_monotonic_and_boot_time_again() -> None:
    clock = FakeClock()
    monotonic_ns, wall_ns = clock.monotonic_ns(), clock.wall_ns()
    clock.reboot(seconds_down=30)
    assert clock.monotonic_ns() < monotonic_ns
    assert clock.wall_ns() == wall_ns + 30 * 10**9
