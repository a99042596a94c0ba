"""The fin sweep: synthetic loops with known backlash and noise, the twin's own servos, and scipy."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy.stats import linregress, t

from server.flight.control.linkage import FALLING, NEITHER, RISING, Linkage, SweepPoint, analyze_sweep, student_t
from server.twin.sandpiper import FinNumbers
from server.twin.servos import FinServos

ANGLES = np.linspace(-0.2, 0.2, 17)


def swept(ratio: float, offset: float, play: float, noise: float, seed: int = 1, angles=ANGLES, rounds: int = 1):
    """A linkage with play, as a plain model: the fin moves only when the horn has taken up the slack."""
    rng, fin, horn_before = random.Random(seed), offset, -1.0
    points = []
    asked = [float(a) for _ in range(rounds) for a in [*angles, *angles[-2::-1]]]
    for command in asked:
        driven = ratio * command + offset
        fin = max(driven - play / 2, min(driven + play / 2, fin))
        direction = NEITHER if horn_before == -1.0 else RISING if command > horn_before else FALLING
        points.append(SweepPoint(command, fin + rng.gauss(0, noise), direction))
        horn_before = command
    return points


def found(points: list[SweepPoint]) -> Linkage:
    linkage = analyze_sweep(points)
    assert linkage is not None
    return linkage


@pytest.mark.parametrize("play", [0.0, 0.0035, 0.02])
@pytest.mark.parametrize(("ratio", "offset"), [(1.0, 0.0), (0.93, 0.012), (-1.04, -0.02)])
def test_without_noise_everything_is_found_exactly(ratio: float, offset: float, play: float) -> None:
    linkage = found(swept(ratio, offset, play, 0.0))
    assert linkage.ratio == pytest.approx(ratio, abs=1e-12)
    assert linkage.offset == pytest.approx(offset, abs=1e-12)
    assert linkage.backlash == pytest.approx(play, abs=1e-12)
    assert linkage.residual == pytest.approx(0.0, abs=1e-12)


def test_steps_smaller_than_the_play_do_not_narrow_the_loop() -> None:
    """The first points after each turn are still inside the play; taken along they would pull the width down."""
    linkage = found(swept(1.0, 0.0, 0.06, 0.0, angles=np.linspace(-0.2, 0.2, 41)))
    assert linkage.backlash == pytest.approx(0.06, abs=1e-12)
    assert linkage.ratio == pytest.approx(1.0, abs=1e-12)


def test_with_noise_the_interval_covers_the_truth_as_often_as_it_says() -> None:
    """300 sweeps: 95 % of 300 is 285, standard deviation 3.8; four of them either way."""
    inside = 0
    for seed in range(300):
        linkage = found(swept(0.97, 0.004, 0.005, 0.0006, seed))
        inside += linkage.ratio_low <= 0.97 <= linkage.ratio_high
        assert linkage.backlash == pytest.approx(0.005, abs=0.0012)
        assert linkage.offset == pytest.approx(0.004, abs=0.0006)
    assert 270 <= inside <= 299


def test_one_branch_alone_is_scipys_line() -> None:
    points = [SweepPoint(float(a), 1.1 * a + 0.01 * math.sin(40 * a), RISING) for a in ANGLES]
    linkage, line = found(points), linregress(ANGLES[1:], [p.measured for p in points[1:]])
    assert linkage.ratio == pytest.approx(line.slope, rel=1e-9)
    assert linkage.offset == pytest.approx(line.intercept, abs=1e-12)
    spread = line.stderr * t.ppf(0.975, len(ANGLES) - 3)
    assert linkage.ratio_high - linkage.ratio == pytest.approx(spread, rel=1e-6)
    assert linkage.backlash is None and linkage.pairs == 0


def test_travel_counts_every_point_and_what_is_not_finite_counts_nowhere() -> None:
    points = swept(1.0, 0.0, 0.0, 0.0) + [SweepPoint(0.1, math.nan, RISING), SweepPoint(math.inf, 0.3, RISING)]
    linkage = found(points)
    assert (linkage.travel_low, linkage.travel_high) == pytest.approx((-0.2, 0.2))
    assert (linkage.commanded_low, linkage.commanded_high, linkage.points) == (-0.2, 0.2, 33)
    assert analyze_sweep([]) is None
    assert analyze_sweep([SweepPoint(0.0, math.nan, RISING)]) is None
    lone = found([SweepPoint(0.1, 0.1, NEITHER)])
    assert (lone.ratio, lone.backlash, lone.travel_high) == (None, None, 0.1)


@pytest.mark.parametrize("fin", [1, 2, 3, 4])
def test_the_simulated_servos_are_found_as_they_are(fin: int) -> None:
    numbers = FinNumbers()
    servos = FinServos(numbers, random.Random(fin))
    points, before = [], 0.0
    for command in [float(a) for _ in range(3) for a in [*ANGLES, *ANGLES[-2::-1]]]:
        servos.command(fin, command)
        for _ in range(60):
            servos.step(0.01)
        measured = float(np.mean([servos.measured_rad()[fin - 1] for _ in range(5)]))
        points.append(SweepPoint(command, measured, RISING if command > before else FALLING))
        before = command
    linkage = found(points)
    assert linkage.ratio == pytest.approx(numbers.linkage_ratio[fin - 1], abs=0.0012)
    assert linkage.offset == pytest.approx(numbers.linkage_offset_rad[fin - 1], abs=0.00015)
    assert linkage.backlash == pytest.approx(numbers.backlash_rad, abs=0.0004)


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 7, 10, 31, 120, 1001])
@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999])
def test_students_t_is_scipys(freedom: int, confidence: float) -> None:
    assert student_t(confidence, freedom) == pytest.approx(t.ppf((1 + confidence) / 2, freedom), rel=1e-8)


def test_students_t_refuses_nonsense() -> None:
    for confidence, freedom in [(0.0, 3), (1.0, 3), (0.95, 0)]:
        with pytest.raises(ValueError):
            student_t(confidence, freedom)
