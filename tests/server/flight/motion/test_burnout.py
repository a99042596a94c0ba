"""The end of the boost by a share of it, on forces whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.motion.burnout import Burnout, burnout


def forces(
    offset: float = 0.0, drag: float = 8.0, step_s: float = 0.02, tail_s: float = 0.02
) -> tuple[np.ndarray, np.ndarray]:
    """60 m/s2 until 3 s, falling to nothing in `tail_s`, then drag."""
    t = np.arange(1.003, 4.0, step_s)
    boost = np.clip((3.0 + tail_s / 2 - t) / tail_s, 0.0, 1.0)
    force = boost * 60.0 - (1.0 - boost) * drag
    return t, force + offset + np.random.default_rng(3).normal(0.0, 0.1, len(t))


@pytest.mark.parametrize("offset", [-1.5, 0.0, 2.0])
@pytest.mark.parametrize("drag", [0.3, 2.0, 30.0])
def test_an_offset_hides_no_burnout(offset: float, drag: float) -> None:
    """Seen: at 2 m/s2 too much on a slow vehicle it was never below nothing."""
    found = burnout(*forces(offset, drag), offset)
    assert found is not None and found.t_s == pytest.approx(3.0, abs=0.02)
    # Uniform in the gap between two samples: no further than its half from the middle, or its ends where it is a line.
    assert found.sigma_s >= 0.02 / 3.46


@pytest.mark.parametrize("gap_s", [0.1, 0.3, 0.8])
def test_across_a_gap_the_middle_with_the_gap_s_sigma(gap_s: float) -> None:
    t, force = forces()
    kept = (t < 3.0 - 0.4 * gap_s) | (t > 3.0 + 0.6 * gap_s)
    found = burnout(t[kept], force[kept], 0.0)
    assert found is not None and abs(found.t_s - 3.0) < 1.96 * found.sigma_s
    assert found.sigma_s == pytest.approx(gap_s / 3.46, rel=0.3)


def test_a_slow_end_is_told_less_surely() -> None:
    slow, quick = (burnout(*forces(tail_s=tail_s), 0.0) for tail_s in (0.4, 0.02))
    assert isinstance(slow, Burnout) and isinstance(quick, Burnout)
    # Drag of 8 m/s2 is met at 8/68 of the boost.
    assert abs(slow.t_s - (3.2 - 0.4 * 8.0 / 68.0)) < 1.5 * slow.sigma_s and slow.sigma_s > 1.5 * quick.sigma_s


def test_no_boost_or_no_end_of_it_is_no_burnout() -> None:
    t, force = forces()
    assert burnout(t[t < 2.9], force[t < 2.9], 0.0) is None
    assert burnout(t[t > 3.1], force[t > 3.1], 0.0) is None
    assert burnout(t[:2], force[:2], 0.0) is None
