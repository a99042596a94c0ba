"""The state vector's health against exact motion with planted faults, in any cut, and over flights of the twin."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from server.flight.sensors.state_health import (
    CLEAR_FRAMES,
    COMPONENTS,
    FROZEN_FRAMES,
    JUMP_GAP_S,
    POSITION,
    QUATERNION,
    VELOCITY,
    Episode,
    EpisodeChange,
    GroundEstimate,
    Limits,
    StateHealth,
)
from server.twin.scenarios import load_scenario
from tests.server.flight.twin_flights import Heard, fly, heard

STEP_S = 0.05
Columns = dict[str, np.ndarray]


def motion(count: int = 200, seed: int = 0) -> tuple[np.ndarray, Columns]:
    """A body that accelerates evenly and turns at a constant body rate (closed forms; scipy's Rotation for the attitude)."""
    t = 10.0 + STEP_S * np.arange(count)
    tau = t - 10.0
    rng = np.random.default_rng(seed)
    a, v0, rate = rng.normal(0, 20, 3), rng.normal(0, 20, 3), rng.normal(0, 3, 3)
    q = Rotation.from_rotvec(tau[:, None] * rate).as_quat(scalar_first=True)
    table = np.column_stack(
        [v0 * tau[:, None] + a * tau[:, None] ** 2 / 2, v0 + a * tau[:, None], q, np.broadcast_to(rate, (count, 3))]
    )
    return t, {name: table[:, place].copy() for place, name in enumerate(COMPONENTS)}


def ground_of(columns: Columns, sigma_m: float = 0.3) -> GroundEstimate:
    ones = np.ones_like(columns["position.up"])
    return GroundEstimate(columns["position.up"].copy(), sigma_m * ones, columns["velocity.up"].copy(), 0.5 * ones)


def judged(t: np.ndarray, columns: Columns, **more) -> list[EpisodeChange]:
    return StateHealth(more.pop("ranges", None), more.pop("limits", None)).take(t, columns, **more)


def moving(t: np.ndarray) -> np.ndarray:
    return np.ones(len(t), dtype=bool)


@pytest.mark.parametrize("seed", range(20))
def test_honest_motion_is_healthy(seed: int) -> None:
    t, columns = motion(seed=seed)
    assert judged(t, columns, moving=moving(t), ground=ground_of(columns)) == []


def test_one_frame_that_is_no_number_is_told_once_with_its_components() -> None:
    t, columns = motion()
    columns["attitude_quaternion.w"][50] = np.nan
    columns["body_rate.z"][50] = -np.inf
    raised, ended = judged(t, columns, moving=moving(t), ground=ground_of(columns))
    names = ("attitude_quaternion.w", "body_rate.z")
    assert raised == EpisodeChange(50, t[50], Episode("nonfinite", names, 50, t[50], 50, t[50], 1, True))
    assert ended == EpisodeChange(50 + CLEAR_FRAMES, t[70], Episode("nonfinite", names, 50, t[50], 50, t[50], 1, False))


def test_a_flicker_is_one_episode_and_what_is_not_over_stays_open() -> None:
    t, columns = motion()
    columns["position.up"][60:120:4] = np.nan
    columns["velocity.up"][180:] = np.inf
    health = StateHealth()
    changes = health.take(t, columns)
    assert [(c.episode.kind, c.episode.first_row, c.episode.frames, c.episode.open) for c in changes] == [
        ("nonfinite", 60, 1, True),
        ("nonfinite", 60, 15, False),
        ("nonfinite", 180, 1, True),
    ]
    assert [(e.last_row, e.frames) for e in health.open_episodes()] == [(199, 20)]


def test_frozen_counts_only_while_something_else_moves() -> None:
    t, columns = motion()
    for values in columns.values():
        values[100:130] = values[100]
    assert [c for c in judged(t, columns) if c.episode.kind == "frozen"] == []
    frozen = [c.episode for c in judged(t, columns, moving=moving(t)) if c.episode.kind == "frozen"]
    assert (frozen[0].first_row, frozen[0].frames, frozen[0].open) == (100, FROZEN_FRAMES, True)
    assert (frozen[1].first_row, frozen[1].last_row, frozen[1].frames, frozen[1].components) == (100, 129, 30, COMPONENTS)
    late = moving(t)
    late[:128] = False
    assert [c for c in judged(t, columns, moving=late) if c.episode.kind == "frozen"] == []


def test_one_changing_bit_is_not_frozen() -> None:
    t, columns = motion()
    for values in columns.values():
        values[100:130] = values[100]
    columns["body_rate.x"][100:130:2] = np.nextafter(columns["body_rate.x"][100], np.inf)
    assert [c for c in judged(t, columns, moving=moving(t)) if c.episode.kind == "frozen"] == []


def test_shrinking_numbers_are_not_frozen() -> None:
    t, columns = motion(60)
    shrinking = {name: 100.0 * 0.99 ** np.arange(60.0) for name in columns}
    assert [c for c in judged(t, shrinking, moving=moving(t)) if c.episode.kind == "frozen"] == []


def test_bounds_and_the_length_of_the_quaternion() -> None:
    t, columns = motion()
    ranges = {"position.up": (-1e6, float(columns["position.up"][150]) if columns["position.up"][-1] > 0 else 1e6)}
    columns["attitude_quaternion.y"][20] += 0.5
    for name in QUATERNION:
        columns[name][120] *= 1.009
        columns[name][121] *= 1.011
    found = [c.episode for c in judged(t, columns, ranges=ranges) if c.episode.kind == "bounds" and c.episode.open]
    assert [(e.first_row, e.components) for e in found[:2]] == [(20, QUATERNION), (121, QUATERNION)]


def test_a_declared_range_is_inclusive() -> None:
    t, columns = motion(3)
    columns["position.east"] = np.array([-5.0, 5.0, 5.0001])
    found = StateHealth({"position.east": (-5.0, 5.0)}).take(t, {"position.east": columns["position.east"]})
    assert [(c.row, c.episode.kind, c.episode.components) for c in found] == [(2, "bounds", ("position.east",))]


@pytest.mark.parametrize(("names", "by"), [(POSITION, 4.0), (VELOCITY, 20.0)], ids=["position", "velocity"])
def test_a_jump_is_seen_there_and_back_as_one_episode(names: tuple[str, ...], by: float) -> None:
    t, columns = motion()
    columns[names[1]][77] += by
    ended = [c.episode for c in judged(t, columns, moving=moving(t)) if not c.episode.open]
    assert [(e.kind, e.components, e.first_row, e.last_row, e.frames) for e in ended if e.kind == "jump"][0][:3] == (
        "jump", names, 77,
    )  # fmt: skip
    assert len(ended) == 1


def test_a_turn_faster_than_the_rates_say_is_a_jump_and_a_changed_sign_is_none() -> None:
    t, columns = motion()
    for name in QUATERNION:
        columns[name][90:] *= -1.0
    assert judged(t, columns) == []
    turned = Rotation.from_quat(np.column_stack([columns[n][100:] for n in QUATERNION]), scalar_first=True)
    turned = turned * Rotation.from_rotvec([0.0, 0.9, 0.0])
    for name, values in zip(QUATERNION, turned.as_quat(scalar_first=True).T, strict=True):
        columns[name][100:] = values
    found = judged(t, columns)
    assert [(c.episode.kind, c.episode.components, c.row) for c in found if c.episode.open] == [("jump", QUATERNION, 100)]


def test_the_same_turn_without_rates_is_held_against_the_greatest_rate() -> None:
    t, columns = motion()
    columns = {name: columns[name] for name in QUATERNION}
    q = Rotation.from_quat(np.column_stack([columns[n] for n in QUATERNION]), scalar_first=True)
    for angle, jumps in ((1.0, 0), (2.2, 1)):  # 35 rad/s for 0.05 s are 1.75 rad
        turned = (q[100:] * Rotation.from_rotvec([angle, 0.0, 0.0])).as_quat(scalar_first=True)
        changed = {n: np.concatenate((columns[n][:100], turned[:, i])) for i, n in enumerate(QUATERNION)}
        assert len([c for c in judged(t, changed) if c.episode.open]) == jumps


def test_no_change_is_judged_across_a_long_gap_or_a_restart() -> None:
    t, columns = motion()
    for name in POSITION:
        columns[name][100:] += 500.0
    gap = t + np.where(np.arange(len(t)) >= 100, JUMP_GAP_S, 0.0)
    assert judged(gap, columns) == []
    assert [c.row for c in judged(t, columns) if c.episode.open] == [100]
    health = StateHealth()
    first = health.take(t[:100], {name: values[:100] for name, values in columns.items()})
    health.restart()
    assert first + health.take(t[100:], {name: values[100:] for name, values in columns.items()}) == []


def test_a_navigation_that_sets_itself_to_zero_on_the_pad_does_not_jump() -> None:
    t, columns = motion()
    for name in COMPONENTS:
        columns[name][50:] = 1.0 if name == QUATERNION[0] else 0.0
    assert judged(t, columns, moving=np.arange(len(t)) < 50) == []
    assert {c.episode.kind for c in judged(t, columns, moving=np.arange(len(t)) < 51)} == {"jump"}


def test_an_ejection_at_16_g_and_a_hard_landing_are_no_jumps() -> None:
    t = STEP_S * np.arange(100)
    speed = np.where(t < 2.5, -30.0, np.minimum(-30.0 + 157.0 * (t - 2.5), 0.0))
    height = 200.0 + np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * STEP_S)))
    assert judged(t, {"position.up": height, "velocity.up": speed}) == []
    flat = {name: np.zeros(100) for name in (*POSITION, *VELOCITY)} | {"position.up": height, "velocity.up": speed}
    assert judged(t, flat) == []


def test_divergence_needs_time_and_five_sigmas() -> None:
    t, columns = motion()
    columns["velocity.up"][:] = 0.0
    columns["position.up"][:] = 100.0
    ground = ground_of(columns)
    for offset, found in ((4.9, 0), (5.6, 1), (-5.6, 1)):  # 5 sqrt(0.3^2 + 1^2) = 5.22 m
        shifted = columns | {"position.up": columns["position.up"] + np.where((t > 12.0) & (t < 15.0), offset, 0.0)}
        raised = [c for c in judged(t, shifted, ground=ground) if c.episode.kind == "divergence" and c.episode.open]
        assert len(raised) == found
    assert raised[0].episode.components == ("position.up",)
    assert raised[0].episode.first_t == pytest.approx(12.05) and raised[0].t == pytest.approx(13.1, abs=0.06)
    brief = columns | {"position.up": columns["position.up"] + np.where((t > 12.0) & (t < 12.9), 50.0, 0.0)}
    assert [c for c in judged(t, brief, ground=ground) if c.episode.kind == "divergence"] == []


def test_where_the_ground_knows_nothing_nothing_diverges() -> None:
    t, columns = motion()
    nothing = GroundEstimate(*[np.full(len(t), np.nan)] * 4)
    assert judged(t, columns, ground=nothing) == []


def test_repeated_and_late_frames_neither_freeze_nor_jump() -> None:
    t, columns = motion()
    index = np.concatenate((np.arange(100), np.full(30, 99), np.arange(40, 60), np.arange(100, 200)))
    again = {name: values[index] for name, values in columns.items()}
    assert judged(t[index], again, moving=np.ones(len(index), dtype=bool)) == []


def broken(seed: int) -> tuple[np.ndarray, Columns, np.ndarray, GroundEstimate]:
    """Motion with every kind of fault in random places, and numbers no computation should meet."""
    rng = np.random.default_rng(seed)
    t, columns = motion(400, seed)
    ground = ground_of(columns)
    for name in rng.choice(COMPONENTS, 8):
        columns[name][rng.integers(0, 400, 6)] = rng.choice([np.nan, np.inf, -np.inf, 1e300, -1e300, 5e-324])
    start = int(rng.integers(50, 300))
    for values in columns.values():
        values[start : start + int(rng.integers(3, 40))] = values[start]
    columns["position.up"][start:] += 30.0
    t[int(rng.integers(0, 400))] = np.nan
    order = np.arange(400)
    order[100:103] = 99
    return t[order], {n: v[order] for n, v in columns.items()}, rng.random(400) < 0.95, ground


@pytest.mark.parametrize("seed", range(12))
def test_any_cut_gives_the_same(seed: int) -> None:
    t, columns, moves, ground = broken(seed)
    ranges = {"position.up": (-2000.0, 2000.0), "velocity.up": (-400.0, 400.0)}
    whole = StateHealth(ranges)
    expected = whole.take(t, columns, moves, ground)
    assert {c.episode.kind for c in expected} >= {"bounds", "jump"}
    pieces, got, at = StateHealth(ranges), [], 0
    cuts = random.Random(seed)
    while at < len(t):
        stop = at + cuts.choice([0, 1, 1, 2, 7, 40])
        part = GroundEstimate(
            *(v[at:stop] for v in (ground.height_m, ground.height_sigma_m, ground.climb_m_s, ground.climb_sigma_m_s))
        )
        got += pieces.take(t[at:stop], {n: v[at:stop] for n, v in columns.items()}, moves[at:stop], part)
        at = min(stop, len(t))
    assert got == expected
    assert pieces.open_episodes() == whole.open_episodes() and pieces.rows == whole.rows == len(t)


def test_missing_components_are_not_missed() -> None:
    t, columns = motion(50)
    assert judged(t, {}) == []
    assert judged(t, {"position.up": columns["position.up"]}, moving=moving(t)) == []


# ---------------------------------------------------------------- the twin


def of_flight(flight: Heard) -> list[EpisodeChange]:
    t, state = flight.time("navigation"), flight.state()
    gt, ground = flight.tables["ground_vertical"]
    at = np.clip(np.searchsorted(gt, t, side="right") - 1, 0, len(gt) - 1)
    fresh = t - gt[at] < 0.1
    estimate = GroundEstimate(
        np.where(fresh, ground["height"][at], np.nan),
        np.full(len(t), 0.5),
        np.where(fresh, ground["climb_rate"][at], np.nan),
        np.full(len(t), 1.0),
    )
    ranges = {name: (-5000.0, 5000.0) for name in POSITION} | {name: (-400.0, 400.0) for name in VELOCITY}
    return StateHealth(ranges, Limits()).take(t, state, flight.flying(t), estimate)


@pytest.mark.parametrize(
    ("scenario", "seed"), [("calm", 1), ("thin-link", 1), ("thin-link", 2), ("gusty-rail", 2), ("one-chute", 1)]
)
def test_a_flight_of_the_twin_is_healthy(scenario: str, seed: int) -> None:
    assert of_flight(heard(scenario, seed)) == []


def test_the_bad_number_of_the_twin_is_found_in_its_frame() -> None:
    changes = of_flight(heard("bad-number", 1))
    assert [(c.episode.kind, c.episode.frames, c.episode.open) for c in changes] == [
        ("nonfinite", 1, True),
        ("nonfinite", 1, False),
    ]
    assert abs(changes[0].t - heard("bad-number", 1).truth["control_enabled_s"]) < 0.1


def test_a_navigation_on_a_wrong_height_diverges() -> None:
    """A barometer that reads wrong reaches both; a blunder of the integration alone reaches only the vehicle's."""
    flight = fly(load_scenario("calm"), 4)
    t = flight.time("navigation")
    flight.tables["navigation"][1]["up"][t > flight.truth["apogee_s"] + 5.0] -= 25.0
    kinds = [c.episode.kind for c in of_flight(flight) if c.episode.open]
    assert sorted(kinds) == ["divergence", "jump"]
