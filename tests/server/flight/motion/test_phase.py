"""Phases and moments on closed-form flights, and everything on a pad that must not look like a lift-off."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable

import numpy as np
import pytest

from protocol.units import GRAVITY_M_S2 as G0
from server.flight.motion.lift_off_watch import BarometerClimb
from server.flight.motion.phase import LANDED_M, LANDED_S, Moment, Phase, PhaseChange, PhaseDetector
from server.flight.motion.vertical import VerticalFilter

IMU_S, BARO_S = 0.04, 0.05
LIFT_OFF_S = 5.0

# tests/SOURCES.md, coast: mass kg, drag constant k kg/m, speed at burnout m/s, coast height m, coast time s.
COASTS = [
    (1.0, 0.001, 100.0, 351.479, 7.9803),
    (0.5, 0.0005, 80.0, 251.180, 6.8617),
    (1.2, 0.0016, 120.0, 406.674, 8.3105),
    (0.5, 0.00040433, 80.0, 262.035, 7.0551),
    (0.5, 0.00084166, 100.0, 296.839, 7.1516),
    (1.5, 0.00115251, 60.0, 161.689, 5.6243),
]


class Flight:
    """Straight up: 40 m/s2 up to a speed, coast with quadratic drag (tests/SOURCES.md, coast), descent at 6 m/s."""

    def __init__(self, mass: float, k: float, speed: float) -> None:
        self.acceleration = 40.0
        self.burn_s = speed / self.acceleration
        self.burnout_s = LIFT_OFF_S + self.burn_s
        self.burnout_m = self.acceleration * self.burn_s**2 / 2
        self.terminal, self.speed, self.mass, self.k = math.sqrt(mass * G0 / k), speed, mass, k
        self.coast_s = self.terminal / G0 * math.atan(speed / self.terminal)
        self.coast_m = mass / (2 * k) * math.log(1 + k * speed**2 / (mass * G0))
        self.apogee_s, self.apogee_m = self.burnout_s + self.coast_s, self.burnout_m + self.coast_m
        # Free fall up to 6 m/s, then that speed to the ground.
        self.opened_s = self.apogee_s + 6.0 / G0
        self.opened_m = self.apogee_m - 36.0 / (2 * G0)
        self.landing_s = self.opened_s + self.opened_m / 6.0

    def motion(self, t: float) -> tuple[float, float]:
        """Height and climb rate at t."""
        if t <= LIFT_OFF_S or t >= self.landing_s:
            return 0.0, 0.0
        if t <= self.burnout_s:
            since = t - LIFT_OFF_S
            return self.acceleration * since**2 / 2, self.acceleration * since
        if t <= self.apogee_s:
            left = G0 / self.terminal * (self.apogee_s - t)
            return self.apogee_m + self.terminal**2 / G0 * math.log(math.cos(left)), self.terminal * math.tan(left)
        if t <= self.opened_s:
            return self.apogee_m - G0 * (t - self.apogee_s) ** 2 / 2, -G0 * (t - self.apogee_s)
        return self.opened_m - 6.0 * (t - self.opened_s), -6.0

    def force(self, t: float) -> float:
        """Specific force along the nose at t."""
        if t <= LIFT_OFF_S or t >= self.landing_s:
            return G0
        if t <= self.burnout_s:
            return self.acceleration + G0
        if t <= self.apogee_s:
            return -self.k * self.motion(t)[1] ** 2 / self.mass
        return 0.0 if t <= self.opened_s else G0


def samples(until_s: float, first_s: float = 0.0) -> list[tuple[float, str]]:
    forces = [(float(t), "force") for t in np.arange(first_s, until_s, IMU_S)]
    return sorted([*forces, *((float(t), "motion") for t in np.arange(first_s + 0.013, until_s, BARO_S))])


def run(
    force: Callable[[float], float],
    motion: Callable[[float], tuple[float, float]],
    times: Iterable[tuple[float, str]],
    detector: PhaseDetector | None = None,
) -> list[PhaseChange]:
    """Feed a detector and return its changes in order."""
    detector = detector or PhaseDetector()
    changes = []
    for t, kind in times:
        height, climb = motion(t)
        change = detector.force(t, force(t)) if kind == "force" else detector.motion(t, height, climb, height)
        if change is not None:
            changes.append(change)
    return changes


def moments(changes: list[PhaseChange]) -> dict[str, Moment]:
    return {moment.key: moment for change in changes for moment in change.moments}


@pytest.mark.parametrize(("mass", "k", "speed", "coast_m", "coast_s"), COASTS)
def test_closed_form_flight(mass: float, k: float, speed: float, coast_m: float, coast_s: float) -> None:
    flight = Flight(mass, k, speed)
    assert (flight.coast_m, flight.coast_s) == (pytest.approx(coast_m, abs=0.002), pytest.approx(coast_s, abs=2e-4))
    changes = run(flight.force, flight.motion, samples(flight.landing_s + 10))
    assert [c.phase for c in changes] == [Phase.BOOST, Phase.COAST, Phase.DESCENT, Phase.LANDED]
    assert [c.t_s for c in changes] == sorted(c.t_s for c in changes)
    found = moments(changes)
    assert 0.0 <= found["lift_off"].t_s - LIFT_OFF_S <= IMU_S + 1e-9
    assert 0.0 <= found["burnout"].t_s - flight.burnout_s <= IMU_S + 1e-9
    # Known three samples later, that much higher: 0.16 s at burnout speed.
    assert 0.0 <= found["burnout"].height_m - flight.burnout_m <= 0.16 * speed
    assert found["apogee"].t_s == pytest.approx(flight.apogee_s, abs=0.002)
    assert found["apogee"].height_m == pytest.approx(flight.apogee_m, abs=0.005)
    # Dated to the first height that stays within LANDED_M, so up to LANDED_M of descent too early.
    assert -LANDED_M / 6.0 <= found["landing"].t_s - flight.landing_s <= BARO_S + 1e-9


@pytest.mark.parametrize("seed", range(5))
def test_a_quarter_of_all_samples_lost_in_bursts(seed: int) -> None:
    flight, rng = Flight(*COASTS[0][:3]), random.Random(seed)
    kept, lost_until = [], 0.0
    for t, kind in samples(flight.landing_s + 10):
        if t >= lost_until and rng.random() < 0.03:
            lost_until = t + rng.expovariate(1 / 0.3)
        if t >= lost_until:
            kept.append((t, kind))
    found = moments(run(flight.force, flight.motion, kept))
    gap = max(b[0] - a[0] for a, b in zip(kept, kept[1:], strict=False))
    assert 0.0 <= found["lift_off"].t_s - LIFT_OFF_S <= gap + IMU_S
    assert 0.0 <= found["burnout"].t_s - flight.burnout_s <= gap + IMU_S
    assert found["apogee"].t_s == pytest.approx(flight.apogee_s, abs=0.2)
    assert found["apogee"].height_m == pytest.approx(flight.apogee_m, rel=0.003)
    assert -LANDED_M / 6.0 <= found["landing"].t_s - flight.landing_s <= gap + BARO_S


def test_no_accelerometer_at_all() -> None:
    """Then a fast climb alone tells, and there is no burnout to be seen; apogee and landing stay exact."""
    flight = Flight(*COASTS[0][:3])
    changes = run(flight.force, flight.motion, [s for s in samples(flight.landing_s + 10) if s[1] == "motion"])
    assert [c.phase for c in changes] == [Phase.BOOST, Phase.DESCENT, Phase.LANDED]
    found = moments(changes)
    # Dated back to where a constant acceleration would have begun.
    assert found["lift_off"].t_s == pytest.approx(LIFT_OFF_S, abs=0.01)
    assert found["apogee"].t_s == pytest.approx(flight.apogee_s, abs=0.002)


def test_switched_on_in_mid_air_and_after_landing() -> None:
    flight = Flight(*COASTS[0][:3])
    assert run(flight.force, flight.motion, samples(flight.landing_s + 60, flight.landing_s + 1)) == []
    coasting = run(flight.force, flight.motion, samples(flight.landing_s + 10, flight.burnout_s + 1))
    assert [c.phase for c in coasting] == []  # forces say no boost; nothing is invented


def test_after_landing_nothing_follows() -> None:
    flight, detector = Flight(*COASTS[5][:3]), PhaseDetector()
    run(flight.force, flight.motion, samples(flight.landing_s + 10), detector)
    again = [(t + 100, kind) for t, kind in samples(flight.landing_s + 10)]
    assert run(lambda t: flight.force(t - 100), lambda t: flight.motion(t - 100), again, detector) == []


def test_one_late_rise_in_coast_is_not_an_apogee() -> None:
    """A dip of the climb rate (separation, a pressure bump) that ends within DESCENT_S is forgotten."""
    detector = PhaseDetector()
    flight = Flight(*COASTS[0][:3])

    def motion(t: float) -> tuple[float, float]:
        height, climb = flight.motion(t)
        return (height, -5.0) if 9.0 <= t < 9.3 else (height, climb)

    found = moments(run(flight.force, motion, samples(flight.landing_s + 10), detector))
    assert found["apogee"].t_s == pytest.approx(flight.apogee_s, abs=0.002)


def test_no_apogee_while_the_barometer_alone_surely_climbs() -> None:
    """The filter has lost its way and falls for a second while the pressure falls as fast as ever."""
    detector = PhaseDetector()
    flight = Flight(*COASTS[0][:3])
    changes = []
    for t, kind in samples(flight.landing_s + 10):
        height, climb = flight.motion(t)
        lost = flight.burnout_s + 1.0 <= t < flight.burnout_s + 2.0
        change = (
            detector.force(t, flight.force(t))
            if kind == "force"
            else detector.motion(t, height, -15.0 if lost else climb, height)
        )
        if change is not None:
            changes.append(change)
    found = moments(changes)
    assert found["apogee"].t_s == pytest.approx(flight.apogee_s, abs=0.002)
    assert found["apogee"].height_m == pytest.approx(flight.apogee_m, abs=0.005)


def test_landing_waits_for_quiet() -> None:
    detector = PhaseDetector()
    detector.phase = Phase.DESCENT
    heights = [100.0 - 0.25 * i for i in range(40)] + [90.0] * 50  # hung up in a tree for 2.5 s, then down
    heights += [90.0 - 0.25 * i for i in range(360)] + [0.0] * 100
    changes = [c for i, h in enumerate(heights) if (c := detector.motion(i * 0.05, h, 0.0, h)) is not None]
    (landed,) = changes
    ground_s = 450 * 0.05
    assert -LANDED_M / 5.0 - 0.051 <= landed.moments[0].t_s - ground_s <= 0.05
    assert landed.t_s - landed.moments[0].t_s == pytest.approx(LANDED_S, abs=0.051)


# ---------------------------------------------------------------- never a false lift-off


def on_the_pad(up: Callable[[float, random.Random], float], minutes: float, seed: int, drop: float = 0.0) -> Phase:
    """Stand on the pad behind the real filter; `up` is the specific force along the nose."""
    rng, filt, detector = random.Random(seed), VerticalFilter(), PhaseDetector()
    for t, kind in samples(minutes * 60):
        if rng.random() < drop:
            continue
        if kind == "force":
            force = up(t, rng)
            filt.acceleration(t, force - G0)
            detector.force(t, force)
        else:
            raw = rng.gauss(0.0, 0.5) + 0.8 * math.sin(t / 3)  # gusts press on the static port
            filt.height(t, raw)
            detector.motion(t, filt.height_m, filt.climb_m_s, raw)
    return detector.phase


def quiet(t: float, rng: random.Random) -> float:
    return G0 + rng.gauss(0, 0.3)


def rocked_by_wind(t: float, rng: random.Random) -> float:
    return G0 * (1 + 0.3 * math.sin(2 * math.pi * 1.7 * t)) + rng.gauss(0, 1.0)


def knocked(t: float, rng: random.Random) -> float:
    """Now and then a blow of +-30 g that one sample catches, as 25 Hz sees a ring of some milliseconds."""
    return rng.uniform(-300, 300) if rng.random() < 0.02 else quiet(t, rng)


def shaken_by_hand(t: float, rng: random.Random) -> float:
    """3 g up and down three times a second: 8 cm each way, as much as an arm does."""
    return G0 + 3 * G0 * math.sin(2 * math.pi * 3 * t) if t % 20 < 4 else quiet(t, rng)


def set_down_hard(t: float, rng: random.Random) -> float:
    """Dropped by 10 cm once in 15 s: 0.14 s without weight, then 6 g for 0.03 s."""
    since = t % 15
    return 0.0 if since < 0.14 else 6 * G0 if since < 0.17 else quiet(t, rng)


def hammered(t: float, rng: random.Random) -> float:
    """A rail driven into the ground: for a second, ringing far faster than it is sampled, so any number comes out."""
    return G0 + rng.gauss(0, 60) if t % 4 < 1 else quiet(t, rng)


def pushed(t: float, rng: random.Random) -> float:
    """80 m/s2 for three samples: the filtered climb rate believes it, the barometer does not."""
    return G0 + 80.0 if t % 5 < 0.12 else quiet(t, rng)


@pytest.mark.parametrize("drop", [0.0, 0.4])
@pytest.mark.parametrize("up", [quiet, rocked_by_wind, knocked, shaken_by_hand, set_down_hard, hammered, pushed])
def test_nothing_on_the_pad_looks_like_a_lift_off(up: Callable, drop: float) -> None:
    for seed in range(3):
        assert on_the_pad(up, 2.0, seed, drop) is Phase.PAD


def test_carried_up_a_hill() -> None:
    """Climbing 30 m at 1 m/s with steps of 0.4 g: height alone is no lift-off."""
    changes = run(lambda t: G0 * (1 + 0.4 * math.sin(12 * t)), lambda t: (min(t, 30.0), 1.0), samples(40.0))
    assert changes == []


def test_force_without_a_climb_and_climb_without_a_force() -> None:
    """A held-down motor test, and a barometer in a gust: each alone is not a flight."""
    assert run(lambda t: 6 * G0 if 2 < t < 4 else G0, lambda t: (0.0, 0.0), samples(10.0)) == []
    assert run(lambda t: G0, lambda t: (5.0, 8.0) if 2 < t < 4 else (0.0, 0.0), samples(10.0)) == []


def test_the_barometers_own_climb_is_numpys_slope_less_four_deviations() -> None:
    rng, climb = np.random.default_rng(8), BarometerClimb()
    times = np.arange(0.0, 0.6, 0.05)
    heights = 30 * times + rng.normal(0, 0.6, len(times))
    for t, height in zip(times.tolist(), heights.tolist(), strict=True):
        climb.take(t, height)
        climb.take(t - 0.2, -500.0)  # from the past
        climb.take(t + 0.01, math.nan)
    deviation = 0.6 / np.sqrt(((times - times.mean()) ** 2).sum())
    assert climb.surely_m_s() == pytest.approx(np.polyfit(times, heights, 1)[0] - 4 * deviation)
    assert BarometerClimb().surely_m_s() == -math.inf


def test_pressure_that_falls_while_somebody_knocks() -> None:
    """A gust sucks at the static port for a second, 8 m's worth, and twice two samples in a row show a blow."""

    def force(t: float) -> float:
        return 5 * G0 if 2.39 < t < 2.45 or 2.59 < t < 2.65 else G0  # samples every 0.04 s

    changes = run(force, lambda t: (8.0 * min(max(t - 2.0, 0.0), 1.0), 8.0 if 2 < t < 3 else 0.0), samples(10.0))
    assert changes == []


def test_bad_numbers_are_no_flight() -> None:
    detector = PhaseDetector()
    for i in range(200):
        assert detector.force(i * 0.04, math.nan) is None
        assert detector.motion(i * 0.04, math.nan, math.nan, math.nan) is None
    assert detector.phase is Phase.PAD


def descending(top_m: float = 100.0) -> tuple[PhaseDetector, float]:
    """Return a detector that was told an apogee of about that height, and when."""
    detector, t = PhaseDetector(), 0.0
    detector.phase = Phase.COAST
    for climb in np.arange(30.0, -8.0, -0.5).tolist():
        t += BARO_S
        raw = top_m - climb * climb / 20.0
        detector.motion(t, raw, climb, raw)
    assert detector.phase is Phase.DESCENT
    return detector, t


def raised(detector: PhaseDetector, t: float, heights: Iterable[float]) -> list[PhaseChange]:
    told = [detector.motion(t + BARO_S * i, height, 0.0, height) for i, height in enumerate(heights, 1)]
    return [change for change in told if change is not None]


def test_heights_that_climb_over_the_apogee_take_it_back_once_and_it_is_told_anew() -> None:
    detector, t = descending()
    (change,) = raised(detector, t, [97.0 + 8.0 * BARO_S * i for i in range(80)])
    assert change.phase is Phase.COAST and change.moments == () and change.taken_back is not None
    assert change.taken_back.key == "apogee" and change.taken_back.height_m == pytest.approx(100.0, abs=1.0)
    t = change.t_s + 4.0
    later = [detector.motion(t + 0.05 * i, 160.0 - 0.5 * (0.05 * i) ** 2, 1.0 - 0.05 * i, 160.0) for i in range(120)]
    assert [one.moments[0].key for one in later if one is not None] == ["apogee"]


def test_a_fast_climb_takes_it_back_below_it_too() -> None:
    detector, t = descending()
    (change,) = raised(detector, t, [-400.0 + 100.0 * BARO_S * i for i in range(60)])
    assert change.phase is Phase.COAST and change.taken_back is not None


@pytest.mark.parametrize("seconds", [0.1, 0.3, 0.6])
@pytest.mark.parametrize("size_m", [-150.0, 60.0])
def test_a_puff_and_a_thermal_take_nothing_back(seconds: float, size_m: float) -> None:
    detector, t = descending()
    rng = np.random.default_rng(3)
    falls = [97.0 - 2.0 * BARO_S * i + size_m * math.exp(-i * BARO_S / seconds) + rng.normal(0.0, 0.6) for i in range(200)]
    lifts = [77.0 + 3.0 * BARO_S * i + rng.normal(0.0, 0.6) for i in range(200)]
    assert [one for one in raised(detector, t, falls + lifts) if one.taken_back is not None] == []
