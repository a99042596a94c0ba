"""The input that did something new before a bad frame is named, and where none did, none is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from server.flight.inertial.precursors import STUCK, SWITCHED, Flown, Sensor, Switch, bad_frames, what_came_before
from tests.accuracy.planted_causes import CAUSES, planted

# Of each planted cause the seeds here; how often it is named over many is `python -m tests.accuracy.bad_frames`.
SEEDS = range(200, 206, 2)


def test_the_planted_cause_is_seen_and_mostly_named_as_the_likeliest() -> None:
    seen = named = tried = 0
    for cause, wanted in CAUSES.items():
        for seed in SEEDS if wanted else ():
            flown, place = planted(cause, np.random.default_rng([5, seed, len(cause)]))
            assert np.flatnonzero(bad_frames(flown)).tolist() == [place]
            verdict = what_came_before(flown, place)
            seen += any(wanted in one.what and one.chance < 0.02 for one in verdict.clues)
            named += verdict.likeliest is not None and wanted in verdict.likeliest.what
            tried += 1
            assert sum(one.share for one in verdict.clues) < 1.0
    assert tried == 24 and seen >= 23 and named >= 15


def test_where_nothing_happened_seldom_anything_is_named() -> None:
    named = 0
    for seed in range(200, 212, 2):
        flown, place = planted("nothing", np.random.default_rng([5, seed, 7]))
        named += what_came_before(flown, place).likeliest is not None
    assert named <= 2


def _calm(switches: list[Switch]) -> Flown:
    t = np.arange(0.0, 40.0, 0.05)
    rng = np.random.default_rng(1)
    state = rng.normal(0.0, 0.01, (len(t), 13)) + [0, 0, 50, 5, 5, 30, 0.8, 0.36, 0.48, 0, 0.3, 0.2, 2.0]
    state[:, 6:10] /= np.linalg.norm(state[:, 6:10], axis=1)[:, None]
    state[:, 6:10] = state[0, 6:10]
    return Flown(t, state, (), switches, np.ones(len(t), dtype=bool))


def test_switches_that_changed_at_once_are_one_clue_even_where_the_word_comes_a_moment_later() -> None:
    """Their packet comes ten times a second: it may tell only after the bad frame of what was before it."""
    at = np.arange(0.02, 40.0, 0.1)
    switches = [Switch(name, at, (at > 20.0).astype(float)) for name in ("gate", "control")]
    flown = _calm([*switches, Switch("lamp", at, (at > 33.0).astype(float))])
    flown.state[400, 6:] = np.nan  # 20.0 s, between two of their packets
    clue = what_came_before(flown, 400).likeliest
    assert clue is not None and clue.kind == SWITCHED and clue.what == "gate and control" and clue.share > 0.8
    assert all(one.share < 0.05 for one in what_came_before(flown, 400).clues[1:])


def test_what_is_so_all_the_time_points_at_nothing() -> None:
    flown = _calm([])
    flown.state[:, 3:6] = 0.0
    flown.state[300, 6:] = np.nan
    verdict = what_came_before(flown, 300)
    assert verdict.likeliest is None
    chances = {one.what: one.chance for one in verdict.clues}
    assert chances["the speed"] == chances["the climb rate"] == 1.0
    pad = replace(flown, alike=flown.t < 1.0)
    assert what_came_before(pad, 300).clues == ()  # too few to hold it against


def test_a_sensor_that_stood_still_until_then_is_called_that() -> None:
    t = np.arange(0.0, 40.0, 0.02)
    values = np.random.default_rng(2).normal(0.0, 0.1, (len(t), 3))
    values[950:1002] = values[950]
    flown = replace(_calm([]), sensors=[Sensor("the gyro of unit B", t, values, True)])
    flown.state[400, 6:] = np.nan  # 20.0 s
    first = what_came_before(flown, 400).clues[0]
    assert (first.kind, first.words) == (STUCK, "the gyro of unit B stood still")


def test_a_state_that_was_never_sent_is_not_bad() -> None:
    flown = _calm([])
    flown.state[:, :6] = np.nan
    assert not bad_frames(flown).any()
    flown.state[100, 12] = np.inf
    assert np.flatnonzero(bad_frames(flown)).tolist() == [100]
