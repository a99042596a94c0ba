"""The answer at the gate against the closed forms of a system of second order, and against one with a servo, simulated."""

from __future__ import annotations

from math import atan2, exp, hypot, pi, sqrt

import numpy as np
import pytest

from server.flight.loop.gate_response import GateResponse, Value, gate_response, oscillation
from server.flight.unmeasured import Unmeasured

GATE_S, END_S = 2.03, 4.5


def heard(rate: np.ndarray, grid: np.ndarray, seed: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return what three sensors tell of a rate, each with an error of its own."""
    rng = np.random.default_rng(seed)
    sensors = []
    for every in (0.05, 0.04, 0.04):
        t = np.arange(rng.uniform(0.0, every), grid[-1], every)
        t = t[rng.random(t.size) > 0.05]
        sensors.append((t, np.interp(t, grid, rate) + rng.normal(0.0, 0.005) + 0.0025 * rng.standard_normal(t.size)))
    return sensors


def second_order(w: float, z: float, begun: float) -> tuple[np.ndarray, np.ndarray]:
    """Return times and rate of angle'' + 2 z w angle' + w^2 angle = 0 from angle 0 and a rate, free before the gate."""
    grid = np.arange(0.0, 5.0, 0.001)
    after = np.maximum(grid - GATE_S, 0.0)
    turn = w * sqrt(1.0 - z * z)
    return grid, begun * np.exp(-z * w * after) * (np.cos(turn * after) - z * w / turn * np.sin(turn * after))


def near(found: Value | None, true: float, slack: float) -> bool:
    return found is not None and found.low - slack <= true <= found.high + slack and abs(found.value - true) <= 3.0 * slack


@pytest.mark.parametrize(("w", "z"), [(7.0, 0.5), (7.0, 0.25), (4.0, 0.4), (12.0, 0.6)])
def test_a_system_of_second_order(w: float, z: float) -> None:
    """tests/SOURCES.md, second-order-answer, with b = atan2(w_d, z w).

    The angle is farthest after b / w_d, by exp(-z w b / w_d) / w of the rate, and comes back past zero by exp(-pi z w / w_d)
    of that; the rate swings back most after 2 b / w_d, by exp(-2 b z w / w_d).
    """
    begun, turn = 2.5, w * sqrt(1.0 - z * z)
    grid, rate = second_order(w, z, begun)
    found = gate_response(heard(rate, grid, 3), (2.0, 2.1), END_S, holds_angle=True)
    assert isinstance(found, GateResponse)
    b = atan2(turn, z * w)
    assert near(found.rate_rad_s, begun, 0.03) and near(found.steady_rate_rad_s, 0.0, 0.03)
    assert near(found.rate_overshoot, exp(-2.0 * b * z * w / turn), 0.02)
    # No servo begins at once: it is told to begin some milliseconds before it does, and turns freely until then.
    before = begun * (GATE_S - found.begins_s.value)
    assert 0.0 <= before < 0.03
    assert near(found.farthest_rad, begun / w * exp(-z * w * b / turn) + before, 0.01)
    assert near(found.angle_overshoot, exp(-pi * z * w / turn), 0.03)
    assert near(found.steady_angle_rad, before, 0.01)
    # rise and settling of the exact answer, from its own samples
    after, share = grid[grid >= GATE_S] - GATE_S, rate[grid >= GATE_S] / begun
    rise = after[np.argmax(share <= 0.1)] - after[np.argmax(share <= 0.9)]
    assert near(found.rise_s, float(rise), 0.015)
    assert near(found.rate_settled_s, float(after[np.abs(share) > 0.05].max()), 0.05)


class Loop:
    """A roll law with a lagging servo, drawn from a seed; a trim keeps it rolling against its damping, always."""

    STEP_S = 0.001

    def __init__(self, rng: np.random.Generator) -> None:
        self.w, self.z = rng.uniform(4.0, 9.0), rng.uniform(0.4, 1.0)
        self.lag, self.damping = rng.uniform(0.02, 0.05), rng.uniform(0.5, 3.0)
        self.trim = float(rng.choice([-1.0, 1.0]) * rng.uniform(1.0, 4.0))

    def flown(self, begun: float, torque: np.ndarray, gate: int) -> np.ndarray:
        """Return the rate at each step under a torque (rad/s2), control on from step `gate` on."""
        angle, roll, turn, rate = 0.0, begun, 0.0, np.empty(torque.size)
        for i in range(torque.size):
            rate[i] = roll
            wanted = -(self.w**2 * angle + 2.0 * self.z * self.w * roll) if i >= gate else 0.0
            turn += (wanted - turn) * self.STEP_S / self.lag
            angle = angle + self.STEP_S * roll if i >= gate else 0.0
            roll += self.STEP_S * (turn - self.damping * (roll - self.trim) + torque[i])
        return rate


def looped(seed: int, push: float) -> tuple[GateResponse | Unmeasured, dict[str, float]]:
    """Fly it under a torque with a memory; return what is told, and what the same rate at the gate does in still air."""
    rng = np.random.default_rng(seed)
    loop, grid = Loop(rng), np.arange(5000) * Loop.STEP_S
    gate = round(GATE_S / Loop.STEP_S)
    torque = np.empty(grid.size)
    last = push * rng.standard_normal()
    for i in range(grid.size):
        last = last * exp(-Loop.STEP_S / 0.3) + push * sqrt(2.0 * Loop.STEP_S / 0.3) * rng.standard_normal()
        torque[i] = last
    rate = loop.flown(loop.trim, torque, gate)
    calm = loop.flown(rate[gate], np.zeros(3000), 0)
    share, path = calm / calm[0], np.cumsum(calm) * Loop.STEP_S

    def passes(level: float) -> float:
        at = int(np.argmax(share <= level))
        return (at - 1 + (share[at - 1] - level) / (share[at - 1] - share[at])) * Loop.STEP_S

    truth = {
        "rate_overshoot": max(-float(share.min()), 0.0), "farthest_rad": float(path[np.argmax(np.abs(path))]),
        "rise_s": passes(0.1) - passes(0.9), "rate_rad_s": float(calm[0]),
        "rate_settled_s": float(np.flatnonzero(np.abs(share) > 0.05).max() * Loop.STEP_S),
        "steady_angle_rad": float(path[-1]),
    }  # fmt: skip
    return gate_response(heard(rate, grid, seed), (2.0, 2.1), END_S, holds_angle=True), truth


def test_the_intervals_hold_a_loop_with_a_servo_that_air_pushes() -> None:
    """Another model than the fitted one makes the noise. How often over many more: tests/accuracy."""
    held: list[bool] = []
    for seed in range(8):
        found, truth = looped(seed, 0.3)
        assert isinstance(found, GateResponse)
        held += [getattr(found, name).low <= true <= getattr(found, name).high for name, true in truth.items()]
    assert np.mean(held) > 0.85


def test_a_law_of_the_rate_alone_tells_no_angle() -> None:
    grid = np.arange(0.0, 5.0, 0.001)
    rate = np.where(grid < GATE_S, 2.0, 0.3 + 1.7 * np.exp(-6.0 * np.maximum(grid - GATE_S, 0.0)))
    found = gate_response(heard(rate, grid, 5), (2.0, 2.1), END_S, holds_angle=False)
    assert isinstance(found, GateResponse) and found.farthest_rad is found.angle_settled_s is None
    assert near(found.steady_rate_rad_s, 0.3, 0.03) and near(found.rise_s, np.log(9.0) / 6.0, 0.03)


def test_what_cannot_be_told_is_said() -> None:
    grid, rate = second_order(7.0, 0.5, 0.02)
    slow = gate_response(heard(rate, grid, 1), (2.0, 2.1), END_S, holds_angle=True)
    assert isinstance(slow, Unmeasured) and "too slowly" in slow.reason
    short = gate_response(heard(rate, grid, 1), (2.0, 2.1), 2.4, holds_angle=True)
    assert isinstance(short, Unmeasured) and "less than" in short.reason
    few = gate_response([(grid[::500], rate[::500])], (2.0, 2.1), END_S, holds_angle=True)
    assert isinstance(few, Unmeasured) and "too few" in few.reason


@pytest.mark.parametrize("damping", [0.3, 1.0, 1.8])
def test_the_oscillation_and_its_slope_are_solutions(damping: float) -> None:
    """x'' + 2 z w x' + w^2 x = 0, by differences; also at and beyond critical damping."""
    t = np.arange(0.0, 1.0, 1e-4)
    cosine, sine, cosine_rate, sine_rate = oscillation(t, np.float64(6.0), np.float64(damping))
    for x, slope in ((cosine, cosine_rate), (sine, sine_rate)):
        assert np.gradient(x, t)[1:-1] == pytest.approx(slope[1:-1], abs=2e-4 * 36.0)
        left = np.gradient(slope, t) + 2.0 * damping * 6.0 * slope + 36.0 * x
        assert np.abs(left[1:-1]).max() < 0.05
    assert hypot(cosine[0] - 1.0, sine[0]) < 1e-9
