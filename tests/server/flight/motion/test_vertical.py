"""The vertical filter against the textbook matrices, closed-form motion with noise, spikes, gaps and bad numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.stats import chi2

from server.flight.air.altitude import PadReference
from server.flight.motion.vertical import (
    HELD_S,
    HIGHEST_M_S2,
    KICK_M_S,
    LAG_S,
    PORT_SHARE,
    REJECTED_IN_A_ROW,
    VerticalFilter,
    VerticalNoise,
)
from tests.server.flight.twin_flights import Heard, heard

NOISE = VerticalNoise()
IMU_S, BARO_S = 0.04, 0.05


def discrete(dt: float, spectral: float) -> tuple[np.ndarray, np.ndarray]:
    """Return F and Q of a double integrator under white acceleration noise, by the matrix exponential.

    Source: C. F. Van Loan, "Computing integrals involving the matrix exponential", IEEE TAC 23 (1978).
    """
    a, g = np.array([[0.0, 1.0], [0.0, 0.0]]), np.array([[0.0, 0.0], [0.0, spectral]])
    whole = expm(np.block([[-a, g], [np.zeros((2, 2)), a.T]]) * dt)
    f = whole[2:, 2:].T
    return f, f @ whole[:2, 2:]


class Textbook:
    """The same model in matrices (the notation of Y. Bar-Shalom's textbook, from memory), without a gate.

    x = F x + G u, P = F P F' + Q, S = H P H' + R, gain P H' / S. Q by `discrete` under a known acceleration;
    under an unknown one G sigma^2 G'. A new acceleration adds the straight line's share and its variance.
    """

    def __init__(self, height_m: float) -> None:
        self.x, self.p = np.array([height_m, 0.0]), np.diag([NOISE.height_m**2, 1.0])
        self.t, self.u, self.u_t = 0.0, 0.0, -1e9

    def move(self, t: float) -> None:
        dt = t - self.t
        if dt > 0:
            known = t - self.u_t <= HELD_S
            f, q = discrete(dt, NOISE.acceleration_m_s2**2 * 0.04)
            g = np.array([dt * dt / 2, dt])
            self.x = f @ self.x + g * (self.u if known else 0.0)
            self.p = f @ self.p @ f.T + (q if known else np.outer(g, g) * NOISE.unknown_acceleration_m_s2**2)
            self.t = t

    def acceleration(self, t: float, u: float) -> None:
        self.move(t)
        if t - self.u_t <= HELD_S:
            span = t - max(self.u_t, 0.0)
            # Integrals of (u - old) tau / span over the span, once and twice.
            self.x = self.x + (u - self.u) * np.array([span**2 / 6, span / 2])
            kick = (u - self.u) * span / 2 * np.array([span / 2, 1.0])
            self.p = self.p + np.outer(kick, kick)
        self.u, self.u_t = u, t

    def height(self, t: float, z: float) -> None:
        self.move(t)
        h = np.array([1.0, 0.0])
        r = NOISE.height_m**2 + (PORT_SHARE * self.x[1] ** 2 / (2 * 9.80665)) ** 2 + (LAG_S * self.x[1]) ** 2
        gain = self.p @ h / (h @ self.p @ h + r)
        self.x = self.x + gain * (z - self.x[0])
        self.p = (np.eye(2) - np.outer(gain, h)) @ self.p


def covariance(filt: VerticalFilter) -> np.ndarray:
    return np.array([[filt.p_height, filt.p_cross], [filt.p_cross, filt.p_climb]])


def truth(t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Height, climb, acceleration: rest until 1 s, 40 m/s2 for 1.5 s, then free flight (closed form)."""
    on, off, a, g = 1.0, 2.5, 40.0, 9.80665
    up = np.clip(t - on, 0, off - on)
    free = np.maximum(t - off, 0)
    return a * up**2 / 2 + a * up * free - g * free**2 / 2, a * up - g * free, np.where(free > 0, -g, np.where(up > 0, a, 0))


def fly(filt, seed: int, until_s: float = 7.0, drop: float = 0.0, spike=None) -> list[tuple[float, float, float]]:
    """Feed noisy samples of `truth`; return (t, height, climb) after each barometer sample."""
    rng = np.random.default_rng(seed)
    samples = [(float(t), 0) for t in np.arange(0.0, until_s, IMU_S)]
    samples += [(float(t), 1) for t in np.arange(0.001, until_s, BARO_S)]
    out = []
    for t, kind in sorted(samples):
        height, _, acceleration = (float(v) for v in truth(np.array(t)))
        noise = rng.normal(0.0, 1.0)
        if rng.random() < drop:
            continue
        if kind == 0:
            filt.acceleration(t, acceleration + 0.3 * noise)
        else:
            filt.height(t, height + NOISE.height_m * noise + (spike(t) if spike else 0.0))
            if isinstance(filt, VerticalFilter):
                out.append((t, filt.height_m, filt.climb_m_s))
    return out


def test_equals_the_textbook_matrices_step_by_step() -> None:
    ours, book, rng = VerticalFilter(), Textbook(0.4), np.random.default_rng(3)
    ours.height(0.0, 0.4)
    t, height = 0.0, 0.4
    for _ in range(600):
        # Gaps up to a second: the acceleration is then too old to be believed.
        t += float(rng.choice([0.01, 0.02, 0.05, 0.3, 1.0], p=[0.4, 0.3, 0.2, 0.07, 0.03]))
        if rng.random() < 0.5:
            value = float(rng.normal(0, 20))
            ours.acceleration(t, value)
            book.acceleration(t, value)
        else:
            height = book.x[0] + float(rng.normal(0, 0.5))
            ours.height(t, height)
            book.height(t, height)
        assert (ours.height_m, ours.climb_m_s) == pytest.approx(tuple(book.x), rel=1e-7, abs=1e-7)
        assert np.allclose(covariance(ours), book.p, rtol=1e-7, atol=1e-9)
    assert ours.rejected == 0


def test_closed_form_flight_is_followed_without_bias_and_with_honest_variances() -> None:
    """Mean error over 60 flights near zero; the normalized error squared (Bar-Shalom's NEES) does not exceed its bound."""
    late = []
    for seed in range(60):
        filt = VerticalFilter()
        t, height, climb = np.array(fly(filt, seed)).T
        true_height, true_climb, _ = truth(t)
        error = np.stack([height - true_height, climb - true_climb])
        late.append((error[:, -1], error[:, -1] @ np.linalg.solve(covariance(filt), error[:, -1])))
        flying = t > 1.2
        assert np.abs(error[0, flying]).max() < 2.5 and np.abs(error[1, flying]).max() < 4.0
        assert np.sqrt((error[0, flying] ** 2).mean()) < 0.6, "no better than the barometer alone"
    errors = np.array([e for e, _ in late])
    assert np.abs(errors.mean(axis=0)).max() < 0.25
    # The accelerations here are better than the filter assumes, so it may be too modest but never too sure.
    assert sum(n for _, n in late) < chi2.ppf(0.999, 2 * 60)
    assert sum(n for _, n in late) > 0.02 * 2 * 60


def test_a_link_that_loses_half_of_all_samples_costs_little() -> None:
    t, height, climb = np.array(fly(VerticalFilter(), 5, drop=0.5)).T
    true_height, true_climb, _ = truth(t)
    late = t > 4.0
    assert np.abs(height - true_height)[late].max() < 2.0
    assert np.abs(climb - true_climb)[late].max() < 3.0


def test_ejection_spikes_are_left_out() -> None:
    def spike(t: float) -> float:
        return -150.0 if 4.0 <= t < 4.2 else 0.0

    plain, spiked = VerticalFilter(), VerticalFilter()
    fly(plain, 8, until_s=5.5)
    fly(spiked, 8, until_s=5.5, spike=spike)
    assert plain.rejected == 0 and spiked.rejected == 4
    assert abs(plain.height_m - spiked.height_m) < 0.1 and abs(plain.climb_m_s - spiked.climb_m_s) < 0.2


def test_a_barometer_that_keeps_disagreeing_is_believed_in_the_end() -> None:
    filt = VerticalFilter()
    filt.height(0.0, 0.0)
    for i in range(1, 40):
        filt.acceleration(i * 0.05, 0.0)
        filt.height(i * 0.05, 0.0)
    climb, t = filt.climb_m_s, 2.0
    for i in range(REJECTED_IN_A_ROW):
        assert abs(filt.height_m) < 0.5, i
        filt.acceleration(t, 0.0)
        filt.height(t, 500.0)
        t += 0.05
    assert filt.height_m == 500.0 and filt.climb_m_s == pytest.approx(climb, abs=1e-6)
    assert filt.rejected == REJECTED_IN_A_ROW
    for i in range(60):
        filt.acceleration(t + i * 0.05, 0.0)
        filt.height(t + i * 0.05, 500.0 + 20.0 * i * 0.05)
    assert filt.climb_m_s == pytest.approx(20.0, abs=0.5)


def test_only_disagreement_without_a_break_counts() -> None:
    filt, t = VerticalFilter(), 0.0
    filt.height(0.0, 0.0)
    for _ in range(3):
        for height in [0.0] * 40 + [500.0] * (REJECTED_IN_A_ROW - 1):
            t += 0.05
            filt.acceleration(t, 0.0)
            filt.height(t, height)
            assert abs(filt.height_m) < 1.0
    assert filt.rejected == 3 * (REJECTED_IN_A_ROW - 1)


def test_a_gap_opens_the_gate_so_that_the_vehicle_is_found_again() -> None:
    filt = VerticalFilter()
    fly(filt, 2, until_s=3.0)
    height, climb = (float(v) for v in truth(np.array(6.0))[:2])
    filt.height(6.0, height)
    for i in range(20):
        t = 6.0 + i * 0.05
        filt.height(t, float(truth(np.array(t))[0]))
    assert filt.rejected == 0
    assert filt.height_m == pytest.approx(float(truth(np.array(6.95))[0]), abs=1.0)
    assert filt.climb_m_s == pytest.approx(climb - 9.80665 * 0.95, abs=3.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 1e300, -HIGHEST_M_S2 * 1.001])
def test_a_bad_acceleration_changes_nothing(bad: float) -> None:
    one, two = VerticalFilter(), VerticalFilter()
    for filt in (one, two):
        filt.height(0.0, 1.0)
        filt.acceleration(0.02, 3.0)
    one.acceleration(0.06, bad)
    for filt in (one, two):
        filt.height(0.1, 1.1)
    assert (one.height_m, one.climb_m_s) == (two.height_m, two.climb_m_s)
    assert np.array_equal(covariance(one), covariance(two))


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_height_that_is_no_number_neither_starts_nor_moves_it(bad: float) -> None:
    filt = VerticalFilter()
    filt.height(0.0, bad)
    assert filt.time_s is None
    filt.height(1.0, 5.0)
    filt.height(2.0, bad)
    assert (filt.time_s, filt.height_m, filt.rejected) == (1.0, 5.0, 0)


def test_samples_from_the_past_are_ignored() -> None:
    filt = VerticalFilter()
    filt.height(10.0, 5.0)
    filt.height(9.0, 800.0)
    filt.height(9.9, 5.5)
    filt.acceleration(9.5, 500.0)
    assert (filt.time_s, filt.height_m, filt.climb_m_s, filt.acceleration_m_s2) == (10.0, 5.0, 0.0, 0.0)
    assert filt.rejected == 0


def test_an_acceleration_before_the_first_height_waits_for_it() -> None:
    filt = VerticalFilter()
    filt.acceleration(0.9, 10.0)
    assert filt.time_s is None
    filt.height(1.0, 0.0)
    filt.acceleration(1.1, 10.0)
    assert filt.climb_m_s == pytest.approx(1.0) and filt.height_m == pytest.approx(0.05)


# ---------------------------------------------------------------- honest, and hard to upset


def test_variances_are_honest_when_the_model_is_true() -> None:
    """Noise of exactly the assumed size: the sum of 80 normalized errors squared stays within chi-square's bounds."""
    late = []
    for seed in range(80):
        rng, filt = np.random.default_rng(seed), VerticalFilter()
        height, climb, t = 0.0, 0.0, 0.0
        for _ in range(400):
            filt.acceleration(t, 0.0)
            for _ in range(4):  # true acceleration: white, one value for each 10 ms, of the power the filter assumes
                a = NOISE.acceleration_m_s2 * 2.0 * rng.normal()
                height, climb, t = height + climb * 0.01 + a * 5e-5, climb + a * 0.01, t + 0.01
            filt.height(t, height + NOISE.height_m * rng.normal())
        error = np.array([filt.height_m - height, filt.climb_m_s - climb])
        late.append(error @ np.linalg.solve(covariance(filt), error))
    assert chi2.ppf(0.001, 160) < sum(late) < chi2.ppf(0.999, 160)


def upset(change=None, seed: int = 4, until_s: float = 12.0) -> tuple[np.ndarray, np.ndarray, VerticalFilter]:
    """Fly `truth` with Sandpiper's noises; `change(t, kind, value)` returns what is heard instead. Errors by time."""
    rng, filt, rows = np.random.default_rng(seed), VerticalFilter(), []
    samples = [(float(t), 0) for t in np.arange(0.0, until_s, IMU_S)] + [
        (float(t), 1) for t in np.arange(0.001, until_s, BARO_S)
    ]
    for t, kind in sorted(samples):
        height, climb, acceleration = (float(v) for v in truth(np.array(t)))
        value = height + 0.2 * rng.normal() if kind else acceleration + 0.1 * rng.normal()
        for heard_value in [value] if change is None else change(t, kind, value):
            (filt.height if kind else filt.acceleration)(t, heard_value)
        rows.append((t, abs(filt.height_m - height), abs(filt.climb_m_s - climb)))
    table = np.array(rows)
    return table[:, 0], table[:, 1:], filt


METERS_PER_PA = 1.0 / 10.8  # at 250 m over a pad at 620 m


def puff(t: float, kind: int, value: float) -> list[float]:
    return [value - 900.0 * METERS_PER_PA * math.exp(-(t - 8.6) / 0.08) if kind and t > 8.6 else value]


def dip(t: float, kind: int, value: float) -> list[float]:
    return [value + 3000.0 * METERS_PER_PA if kind and 2.2 < t < 2.5 else value]


def silence(t: float, kind: int, value: float) -> list[float]:
    return [] if 3.0 < t < 5.0 else [value]


def silence_in_boost(t: float, kind: int, value: float) -> list[float]:
    return [] if 0.9 < t < 2.9 else [value]


def no_numbers(t: float, kind: int, value: float) -> list[float]:
    return [math.nan, value, math.inf] if int(t * 100) % 3 else [-math.inf]


def twice(t: float, kind: int, value: float) -> list[float]:
    return [value, value, value + 3.0]


@pytest.mark.parametrize(
    ("change", "from_s", "height_m", "climb_m_s"),
    [
        (None, 0.0, 1.0, 2.0),
        (puff, 8.6, 0.7, 1.4),
        (dip, 2.2, 1.0, 2.0),
        (silence, 6.0, 1.0, 1.5),
        (silence_in_boost, 4.2, 3.5, 5.0),
        (no_numbers, 0.0, 4.0, 4.0),
        (twice, 0.0, 1.0, 2.0),
    ],
)
def test_what_upsets_it_is_bounded(change, from_s: float, height_m: float, climb_m_s: float) -> None:
    for seed in range(5):
        t, errors, _ = upset(change, seed)
        worst = errors[t >= from_s].max(axis=0)
        assert worst[0] < height_m and worst[1] < climb_m_s, worst


def test_during_a_gap_the_error_stays_within_three_of_its_own_sigmas() -> None:
    t, errors, filt = upset(silence, until_s=5.0)
    filt.acceleration(5.0, 0.0)
    height, climb, _ = (float(v) for v in truth(np.array(5.0)))
    assert abs(filt.height_m - height) < 3 * math.sqrt(filt.p_height)
    assert abs(filt.climb_m_s - climb) < 3 * math.sqrt(filt.p_climb)


def test_the_kick_that_comes_with_a_puff_is_counted_once() -> None:
    filt = VerticalFilter()
    for i in range(100):
        filt.acceleration(i * 0.05, 0.0)
        filt.height(i * 0.05, 0.0)
    before = filt.p_climb
    filt.height(4.96, -80.0)
    assert filt.p_climb - before == pytest.approx(KICK_M_S**2, rel=0.02)
    filt.height(4.97, -60.0)
    assert filt.rejected == 2 and filt.p_climb - before == pytest.approx(KICK_M_S**2, rel=0.05)


def test_a_sample_that_comes_twice_counts_once() -> None:
    once, again = upset()[2], upset(twice)[2]
    assert (once.height_m, once.climb_m_s) == (again.height_m, again.climb_m_s)
    assert np.array_equal(covariance(once), covariance(again))


def of_flight(flight: Heard) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Run the filter as the station does; return times, errors (height, climb) and their one-sigma."""
    pad, filt, rows, level = PadReference(291.0), VerticalFilter(), [], None
    steps = []
    for table, names in (
        ("navigation", ("q_w", "q_x", "q_y", "q_z")),
        ("imu_a", ("accel_x", "accel_y", "accel_z")),
        ("barometer", ("pressure",)),
    ):
        steps += zip(flight.time(table).tolist(), [table] * len(flight.time(table)), flight.matrix(table, *names).tolist(),
                     strict=True)  # fmt: skip
    for t, table, values in sorted(steps, key=lambda step: step[0]):
        if table == "navigation":
            level = values
        elif table == "imu_a" and level is not None:
            w, x, y, z = level
            up = 2 * (x * z - w * y) * values[0] + 2 * (y * z + w * x) * values[1] + (1 - 2 * (x * x + y * y)) * values[2]
            filt.acceleration(t, up - 9.80665)
        elif table == "barometer":
            if t < flight.truth["liftoff_s"]:
                pad.learn(t, values[0])
            filt.height(t, pad.height_m(values[0]))
            rows.append((t, filt.height_m, filt.climb_m_s, math.sqrt(filt.p_height), math.sqrt(filt.p_climb)))
    t, height, climb, *sigmas = np.array(rows).T
    path = flight.trajectory
    true_height = np.interp(t, path["t_s"], path["up_m"], left=0.0, right=0.0)
    true_climb = np.interp(t, path["t_s"], path["vel"][:, 2], left=0.0, right=0.0)
    return t, np.stack([height - true_height, climb - true_climb]), np.stack(sigmas)


FLIGHTS = [("calm", 1), ("calm", 2), ("gusty-rail", 2), ("one-chute", 1), ("thin-link", 1), ("thin-link", 2)]


def test_over_flights_of_the_twin_95_percent_intervals_hold_in_every_phase() -> None:
    inside: dict[str, list[np.ndarray]] = {}
    for scenario, seed in FLIGHTS:
        flight = heard(scenario, seed)
        t, errors, sigmas = of_flight(flight)
        marks = [flight.truth[name] for name in ("liftoff_s", "burnout_s", "apogee_s")]
        edges = [-1.0, *marks, flight.truth["separation_s"] + 3.0, flight.truth["landing_s"], 1e9]
        holds = np.abs(errors) < 1.96 * sigmas
        for name, start, stop in zip(
            ("pad", "boost", "coast", "opening", "descent", "down"), edges, edges[1:], strict=False
        ):
            inside.setdefault(name, []).append(holds[:, (t >= start) & (t < stop)])
    for name, parts in inside.items():
        share = np.concatenate(parts, axis=1).mean(axis=1)
        assert share.min() > 0.9, (name, share)


@pytest.mark.parametrize(("scenario", "seed"), FLIGHTS)
def test_the_twins_height_and_climb_are_followed(scenario: str, seed: int) -> None:
    flight = heard(scenario, seed)
    t, errors, _ = of_flight(flight)
    top = flight.truth["apogee_m"]
    height = errors[0] + np.interp(t, flight.trajectory["t_s"], flight.trajectory["up_m"], left=0.0, right=0.0)
    assert height.max() == pytest.approx(top, rel=0.003)
    if scenario != "thin-link":
        coast = (t > flight.truth["burnout_s"]) & (t < flight.truth["apogee_s"])
        assert np.sqrt((errors[:, coast] ** 2).mean(axis=1)) == pytest.approx([0.0, 0.0], abs=0.35)


def test_a_filter_that_starts_again_takes_its_climb_from_what_it_rejected() -> None:
    """A wrong climb kept at the restart would reject every sample after it: heights rose through 981 m, apogee told."""
    filt = VerticalFilter()
    for i in range(20):
        filt.acceleration(i * 0.05, 0.0)
        filt.height(i * 0.05, 0.0)
    for i in range(20, 60):
        filt.acceleration(i * 0.05, 0.0)
        filt.height(i * 0.05, 100.0 + 275.0 * (i - 20) * 0.05)
    assert filt.height_m == pytest.approx(100.0 + 275.0 * 39 * 0.05, abs=3.0)
    assert filt.climb_m_s == pytest.approx(275.0, abs=5.0)
    assert filt.rejected < 2 * REJECTED_IN_A_ROW


def test_an_acceleration_that_leads_astray_surprises_and_can_be_forgotten() -> None:
    wrong = VerticalFilter()
    for i in range(1, 600):
        t = 0.01 * i
        wrong.acceleration(t, -6.0)  # while it stands still
        if i % 5 == 0:
            wrong.height(t, 0.0)
    assert wrong.surprise > 3.0 and wrong.climb_m_s < -3.0
    wrong.forget_acceleration()
    for i in range(600, 800, 5):
        wrong.height(0.01 * i, 0.0)
    assert abs(wrong.climb_m_s) < 0.5 and wrong.surprise < 1.5


@pytest.mark.parametrize(("seconds", "is_lost"), [(0.3, False), (1.0, True)])
def test_heights_left_out_surprise_when_they_last_longer_than_a_puff(seconds: float, is_lost: bool) -> None:
    """Seen: a climb 30 m/s wrong for a second, unsurprised, since every height that spoke against it was left out."""
    vertical = VerticalFilter()
    for i in range(1, 400):
        vertical.acceleration(0.01 * i, 0.0)
        if i % 10 == 0:
            vertical.height(0.01 * i, 40.0 if i > 400 - 100.0 * seconds else 0.0)
    assert (vertical.surprise > 2.5) is is_lost
