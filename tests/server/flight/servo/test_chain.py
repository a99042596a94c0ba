"""The servo chain: its model against scipy's and closed forms, its fit against scipy's optimizer, the twin's servos.

For the closed forms see tests/SOURCES.md, servo-response.
"""

from __future__ import annotations

import random

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.signal import lsim

from server.flight.servo.chain import NOT_EXCITED, identify
from server.flight.servo.drive import Drive, clean, prepare
from server.flight.servo.fit import BELIEF, BELIEF_SIGMA, fit, starts
from server.flight.servo.model import DEAD, LOG_LAG, LOG_RATE, LOG_ZETA, OFFSET, PLAY, RATIO, simulate
from server.flight.servo.stops import find_stops
from server.twin.sandpiper import FinNumbers
from server.twin.servos import FinServos
from tests.accuracy.servo_chain import PARTS, one, truth
from tests.accuracy.servo_rig import Servo, Telemetry, bench_steps, run

Heard = tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]


def stairs(rate_hz: float = 100.0) -> Drive:
    """A record of a few steps; its angles do not matter."""
    t = np.arange(0.0, 4.0, 1.0 / rate_hz)
    u = 0.1 * (t >= 1.0) - 0.15 * (t >= 2.0) + 0.2 * (t >= 2.6)
    drive = prepare((t, u), (t, 0.98 * u + 1e-4 * np.cos(1e3 * t)))
    assert drive is not None
    return drive


def numbers(**changed: float) -> np.ndarray:
    """Numbers of one servo, shape (7, 1)."""
    plain = {"ratio": 1.0, "offset": 0.0, "play": 0.0, "dead": 0.0, "lag": 0.04, "rate": 1e3, "zeta": 0.7} | changed
    values = [plain[name] for name in ("ratio", "offset", "play", "dead")]
    return np.array([*values, *np.log([plain["lag"], plain["rate"], plain["zeta"]])])[:, None]


def asked(drive: Drive, at: np.ndarray, dead_s: float) -> np.ndarray:
    """The command as the record has it: jumps in the middle of their intervals."""
    middle = 0.5 * (drive.t[1:] + drive.t[:-1])
    return drive.u[np.searchsorted(middle, at - dead_s)]


@pytest.mark.parametrize("second", [False, True])
def test_without_limits_the_servo_is_scipys_linear_system(second: bool) -> None:
    drive, lag, zeta, dead = stairs(), 0.04, 0.7, 0.013
    horn = simulate(drive, numbers(dead=dead, lag=lag, zeta=zeta), np.zeros((len(drive.nuisances), 1)), second).horn[:, 0]
    at = np.arange(0.0, 4.0, 1e-4)
    w = 2.0 * zeta / lag
    system = ([w * w], [1.0, 2.0 * zeta * w, w * w]) if second else ([1.0], [lag, 1.0])
    _, expected, _ = lsim(system, asked(drive, at, dead), at)
    assert np.abs(horn - np.interp(drive.cells + drive.dt, at, expected)).max() < 3e-4
    _, step, _ = lsim(system, np.ones(20_000), 1e-4 * np.arange(20_000))
    assert 1e-4 * (1.0 - step).sum() == pytest.approx(lag, abs=1e-4), "the lag is the mean delay of either order"


def test_at_its_rate_it_goes_in_a_straight_line_and_play_keeps_the_fin_back() -> None:
    drive = stairs()
    found = simulate(
        drive, numbers(rate=0.5, lag=0.01, play=0.02, ratio=2.0, offset=0.01), np.zeros((len(drive.nuisances), 1)), False
    )
    speed = np.diff(found.horn[:, 0]) / drive.dt
    assert np.abs(speed).max() == pytest.approx(0.5, rel=1e-6)
    settled = found.fin[np.searchsorted(drive.at, 1.45), 0]
    assert settled == pytest.approx(2.0 * 0.1 + 0.01 - 0.01, abs=1e-4), "rising: half the play short"


def steps(servo: Servo, telemetry: Telemetry, seed: int) -> Heard:
    rng = np.random.default_rng(seed)
    heard = run(servo, telemetry, bench_steps(rng), rng)
    return heard.commanded, heard.measured


def test_scipys_optimizer_finds_nothing_better_on_the_same_record() -> None:
    """The same sum of squares, given to an optimizer that knows nothing of ours, from beside where ours ended."""
    rng = np.random.default_rng(3)
    levels = (0.12, -0.24, 0.24, 0.06, -0.12, 0.0)
    command = np.concatenate([np.zeros(900), *[np.full(600 + int(rng.integers(90)), level) for level in levels]])
    heard = run(Servo(rate=4.0), Telemetry(50.0), command, rng)
    drive = prepare(heard.commanded, heard.measured)
    assert drive is not None
    ours = max((fit(drive, False, *start) for start in starts(drive)), key=lambda one: one.log_evidence)

    def off(x: np.ndarray) -> np.ndarray:
        full = ours.numbers.copy()
        full[:6] = x[:6]
        fins = simulate(drive, full[:, None], x[6:, None], False).fin[:, 0]
        return np.concatenate(((drive.y - fins) / ours.sigma, (x[:6] - BELIEF[:6]) / BELIEF_SIGMA[:6], x[6:]))

    sigma = np.sqrt(np.diag(ours.covariance)[:6])
    end = np.concatenate((ours.numbers[:6], ours.nuisance))
    begin = end + np.concatenate((0.2 * sigma, np.zeros(len(ours.nuisance))))
    theirs = least_squares(off, begin, x_scale="jac", diff_step=1e-4, max_nfev=8)
    assert np.abs((theirs.x[:6] - ours.numbers[:6]) / sigma).max() < 1.0
    assert (off(end) ** 2).sum() - 2.0 * theirs.cost < 2.0, "twice the logarithm of a likelihood ratio"


@pytest.mark.parametrize(("rate_hz", "seed"), [(20.0, 4), (20.0, 6), (50.0, 8)])
def test_each_part_of_a_servo_unlike_the_model_is_within_its_interval(rate_hz: float, seed: int) -> None:
    servo, heard, chain = one(seed, rate_hz, "bench")
    assert chain.reason == ""
    told = 0
    for part, true in truth(servo, heard).items():
        found = getattr(chain, part)
        if found.value is not None and np.isfinite(true):
            assert found.low - 1e-9 <= true <= found.high + 1e-9, part
            told += 1
    assert told >= len(PARTS) - 1


@pytest.mark.parametrize("fin", [1, 2])
def test_the_simulated_vehicles_servos_are_found(fin: int) -> None:
    truly, rng, rows, due = FinNumbers(), random.Random(fin), [], 50
    servos = FinServos(truly, rng)
    levels = iter([0.06, -0.06, 0.12, 0.0, -0.12, 0.24, -0.24, 0.24, -0.24, 0.1, 0.24, -0.24, 0.24, -0.24, 0.0])
    for cycle in range(1150):
        if cycle == due:
            servos.command(fin, next(levels, 0.0))
            due = cycle + 60 + rng.randrange(10)
        servos.step(0.01)
        if cycle % 5 == 0:
            rows.append((0.01 * cycle, servos.commanded[fin - 1], servos.measured_rad()[fin - 1]))
    t, u, y = np.array(rows).T
    chain = identify((t, u), (t, y))
    pairs = [
        (chain.ratio, truly.linkage_ratio[fin - 1]), (chain.play, truly.backlash_rad), (chain.lag_s, truly.servo_lag_s),
        (chain.rate, truly.servo_rate_rad_s), (chain.dead_s, 0.0), (chain.offset, truly.linkage_offset_rad[fin - 1]),
    ]  # fmt: skip
    for found, true in pairs:
        # At 20 samples a second the greatest rate is at the edge of what shows: of fin 2 only a least one is told.
        assert found.low is not None and (found.high is not None or (found is chain.rate and fin == 2))
        assert found.low - 1e-9 <= true <= (np.inf if found.high is None else found.high) + 1e-9
    assert fin == 2 or chain.rate.value == pytest.approx(7.0, rel=0.05)
    assert chain.lag_s.value == pytest.approx(0.03, abs=0.006)


def test_small_steps_do_not_show_the_rate_but_bound_it() -> None:
    rng = np.random.default_rng(2)
    command = np.concatenate([np.zeros(800), *[np.full(600 + int(rng.integers(150)), 0.03 * (-1) ** i) for i in range(12)]])
    heard = run(Servo(rate=7.0), Telemetry(50.0), command, rng)
    chain = identify(heard.commanded, heard.measured)
    assert chain.rate.value is None and chain.rate.reason == NOT_EXCITED
    assert chain.rate.low is not None and 0.5 < chain.rate.low < 7.0
    assert chain.lag_s.value == pytest.approx(0.03, abs=0.01)


def test_fins_that_do_not_move_tell_nothing() -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        heard = run(Servo(), Telemetry(20.0), 1e-4 * np.round(rng.standard_normal(6000)), rng)
        chain = identify(heard.commanded, heard.measured)
        assert chain.reason == "its commands hardly moved"
        assert all(getattr(chain, part).value is None for part in PARTS)


def test_moments_that_all_changes_have_in_common_are_in_the_doubt() -> None:
    """Commands by telemetry's own clock: the dead time cannot be told from the moment in the interval."""
    t = 0.05 * np.arange(300)
    u = np.repeat([0.0, 0.1, -0.1, 0.2, 0.0, -0.2, 0.1, -0.15, 0.2, 0.0], 30)
    fine = np.arange(0.0, 15.0, 0.001)
    # Each command is given 40 ms before the packet that tells it, and heard 12 ms later.
    heard = u[np.clip(((fine - 0.012 + 0.04) / 0.05).astype(int), 0, 299)]
    _, horn, _ = lsim(([1.0], [0.04, 1.0]), heard, fine)
    chain = identify((t, u), (t, np.interp(t, fine, horn) + 0.0005 * np.random.default_rng(1).standard_normal(300)))
    assert chain.is_locked
    assert chain.dead_s.value is None or chain.dead_s.high - chain.dead_s.low > 0.03


def test_an_end_stop_is_told_and_not_taken_for_a_ratio() -> None:
    heard = steps(Servo(stop=0.15, ratio=1.0, offset=0.0, play=0.002), Telemetry(50.0), 5)
    chain = identify(*heard)
    assert chain.stops.stop_high == pytest.approx(0.15, abs=0.003) and chain.stops.stop_low == pytest.approx(
        -0.15, abs=0.003
    )
    assert chain.ratio.value == pytest.approx(1.0, abs=0.02)
    asked, seen = steps(Servo(ratio=0.9), Telemetry(50.0), 5)
    free = find_stops(clean(asked), clean(seen))
    assert free.stop_high is None and free.stop_low is None


def test_what_was_hardly_heard_is_said_so() -> None:
    nothing = (np.zeros(0), np.zeros(0))
    assert identify(nothing, nothing).reason == "too little was heard of it"
    t = np.arange(40) * 0.05
    assert identify((t, np.full(40, np.nan)), (t, t)).reason == "too little was heard of it"
    assert identify((t, 0.1 * (t > 1.0)), (t[:3], t[:3])).reason == "too little was heard of it"


assert (RATIO, OFFSET, PLAY, DEAD, LOG_LAG, LOG_RATE, LOG_ZETA) == tuple(range(7))
