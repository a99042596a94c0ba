"""Stages of a descent against falls whose rates are known: dual deployment, one stage, ballistic, tumbling, landing."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.air.pad_air import SEA_LEVEL_DENSITY_KG_M3, PadAir
from server.flight.descent.heights import heights_of
from server.flight.descent.stages import BALLISTIC, DROGUE, MAIN, TUMBLING, UNSURE, way_down
from server.flight.descent.touchdown import touchdown

NOISE_M = 0.4
Stages = list[tuple[float, float]]


def fall(
    stages: Stages, top_m: float, seed: int = 0, loss: float = 0.0, air: PadAir | None = None
) -> tuple[np.ndarray, np.ndarray, float]:
    """A fall from rest at 20 Hz with drag going as density and speed squared: (down to height, sea-level rate) each.

    Rising and sinking air with a memory of 3 s, noise, packets lost in bursts of 0.35 s, ten seconds of rest at the end.
    """
    rng = np.random.default_rng(seed)
    air = air or PadAir()
    thin = np.array(air.density_at(np.arange(0.0, top_m + 50.0))) / SEA_LEVEL_DENSITY_KG_M3
    height, speed, gust, step, path = top_m, 0.0, 0.0, 0.025, []
    shares = thin.tolist()
    gusts = (0.3 * np.sqrt(2 * step / 3) * rng.normal(size=60_000)).tolist()
    while height > 0.0:
        path.append(height)
        terminal = next(rate for floor, rate in stages if height >= floor)
        speed += step * (9.81 - 9.81 * speed * abs(speed) * shares[int(height)] / terminal**2)
        gust += -gust * step / 3 + gusts[len(path)]
        height -= step * (speed + gust)
    landing = step * len(path)
    t = np.arange(0.0, landing + 10.0, 0.05)
    heights = np.interp(t, step * np.arange(len(path)), path, right=0.0)
    heights[t > landing] = 0.0
    heights += NOISE_M * rng.normal(size=len(t))
    kept, on = np.ones(len(t), dtype=bool), True
    for place in range(len(t) if loss else 0):
        if rng.random() < (0.05 / 0.35 if not on else loss / (1 - loss) * 0.05 / 0.35):
            on = not on
        kept[place] = on
    return t[kept], heights[kept], landing


@pytest.mark.parametrize("loss", [0.0, 0.15])
@pytest.mark.parametrize(
    ("stages", "top", "kinds"),
    [
        ([(150.0, 20.0), (-9.0, 6.0)], 1000.0, [DROGUE, MAIN]),
        ([(150.0, 26.0), (-9.0, 11.0)], 2900.0, [DROGUE, MAIN]),
        ([(200.0, 18.0), (-9.0, 9.0)], 800.0, [DROGUE, MAIN]),
        ([(-9.0, 5.4)], 280.0, [MAIN]),
        ([(-9.0, 4.0)], 150.0, [MAIN]),
        ([(-9.0, 21.0)], 2500.0, [UNSURE]),
    ],
)
def test_stages_are_told_apart_with_their_rates(stages: Stages, top: float, kinds: list[str], loss: float) -> None:
    for seed in range(8):
        t, height, landing = fall(stages, top, seed, loss)
        found = way_down(heights_of(t, height, 0.0, landing, NOISE_M), PadAir())
        assert found is not None and [stage.kind for stage in found.stages] == kinds
        for stage, (_, rate) in zip(found.stages, stages, strict=True):
            assert stage.sea_level_m_s == pytest.approx(rate, rel=0.1)
            assert abs(stage.sea_level_m_s - rate) < 4.0 * stage.sea_level_sigma_m_s


def test_a_rate_is_reduced_to_sea_level_and_the_density_told() -> None:
    air = PadAir.of(80000.0, None, 300.0)
    t, height, landing = fall([(-9.0, 20.0)], 3000.0, air=air)
    found = way_down(heights_of(t, height, 0.0, landing, NOISE_M), air)
    assert found is not None
    (stage,) = found.stages
    assert stage.sea_level_m_s == pytest.approx(20.0, rel=0.02)
    assert stage.rate_m_s == pytest.approx(20.0 * np.sqrt(1.225 / stage.density_kg_m3), rel=0.02)
    assert 0.75 < stage.density_kg_m3 < 0.9


@pytest.mark.parametrize(("terminal", "top"), [(200.0, 3000.0), (100.0, 800.0), (60.0, 60.0)])
def test_a_ballistic_fall_is_told(terminal: float, top: float) -> None:
    for seed in range(4):
        t, height, landing = fall([(-9.0, terminal)], top, seed)
        found = way_down(heights_of(t, height, 0.0, landing, NOISE_M), PadAir())
        assert found is not None and {stage.kind for stage in found.stages} == {BALLISTIC}


def test_a_late_opening_leaves_the_speed_it_opened_at() -> None:
    t, height, landing = fall([(150.0, 150.0), (-9.0, 8.0)], 700.0)
    found = way_down(heights_of(t, height, 0.0, landing, NOISE_M), PadAir())
    assert found is not None and found.stages[-1].kind == MAIN
    assert found.fastest_m_s > 60.0 and found.fastest_s < found.stages[-1].start_s


@pytest.mark.parametrize(("turns", "kind"), [(1.0, TUMBLING), (0.0, DROGUE)])
def test_tumbling_is_told_by_forces_that_turn_about(turns: float, kind: str) -> None:
    t, height, landing = fall([(-9.0, 25.0)], 900.0)
    angle = 2 * np.pi * turns * t + 0.2 * np.sin(3 * t)
    force = 9.8 * np.column_stack((np.sin(angle), 0.1 * np.cos(5 * t), np.cos(angle)))
    found = way_down(heights_of(t, height, 0.0, landing, NOISE_M), PadAir(), (t, force))
    assert found is not None and [stage.kind for stage in found.stages] == [kind]


@pytest.mark.parametrize("loss", [0.0, 0.15])
@pytest.mark.parametrize("rate", [4.0, 8.0, 22.0])
def test_touchdown_by_raw_heights(rate: float, loss: float) -> None:
    errors = []
    for seed in range(12):
        t, height, landing = fall([(-9.0, rate)], 12.0 * rate, seed, loss)
        found = touchdown(heights_of(t, height, landing - 12.0, landing + 4.0, NOISE_M))
        assert found is not None
        assert abs(found.t_s - landing) < max(4.0 * found.sigma_s, 0.3)
        # The air itself rises and sinks by 0.3 m/s, one sigma.
        assert found.rate_m_s == pytest.approx(rate, abs=0.1 * rate + 3.0 * 0.3)
        errors.append(abs(found.rate_m_s / rate - 1.0))
    assert np.median(errors) < 0.1


def test_an_impact_that_still_gathers_speed() -> None:
    t, height, landing = fall([(-9.0, 60.0)], 60.0)
    found = touchdown(heights_of(t, height, landing - 12.0, landing + 4.0, NOISE_M))
    assert found is not None and found.rate_m_s == pytest.approx(31.7, rel=0.06)


@pytest.mark.parametrize("bend_m_s2", [-2.5, 2.5])
def test_a_gust_in_the_last_seconds_is_not_drawn_on_to_the_ground(bend_m_s2: float) -> None:
    """A port that swings bends three seconds of a steady fall; its end is no better known for that."""
    rng = np.random.default_rng(3)
    t = np.arange(-12.0, 4.0, 0.05)
    bent = np.where(t > -3.0, 0.5 * bend_m_s2 * (1.5**2 - (t + 1.5) ** 2), 0.0)
    height = np.where(t < 0.0, -20.0 * t + bent, 0.0) + 0.2 * rng.normal(size=len(t))
    found = touchdown(heights_of(t, height, -12.0, 4.0, NOISE_M))
    assert found is not None and found.rate_m_s == pytest.approx(20.0, rel=0.1)


def test_what_cannot_be_told() -> None:
    t, height, landing = fall([(-9.0, 6.0)], 200.0)
    assert way_down(heights_of([], [], 0.0, 10.0), PadAir()) is None
    assert way_down(heights_of(t, np.full(len(t), np.nan), 0.0, landing), PadAir()) is None
    assert way_down(heights_of(t, np.full(len(t), 3.0), 0.0, landing), PadAir()) is None
    assert touchdown(heights_of(t, np.full(len(t), 3.0), 0.0, landing)) is None
    rng = np.random.default_rng(0)
    spoiled, order = height.copy(), rng.permutation(len(t))
    spoiled[::9] = rng.choice([np.nan, np.inf, -np.inf, 1e300], len(spoiled[::9]))
    found = way_down(heights_of(np.repeat(t[order], 2), np.repeat(spoiled[order], 2), 0.0, landing), PadAir())
    assert found is not None and found.stages[-1].sea_level_m_s == pytest.approx(6.0, rel=0.1)


def pumped(t: np.ndarray, drogue: float, main: float, switch_s: float, seed: int) -> np.ndarray:
    """Pressure that a swinging body pumps, as height (m): noise around a period of 1.5 s, louder under a drogue."""
    rng, step, keep = np.random.default_rng([4, seed]), 0.05, 0.97
    turn, grid, ahead, last = 2.0 * keep * np.cos(2.0 * np.pi * step / 1.5), [], 0.0, 0.0
    for push in rng.normal(size=int(t[-1] / step) + 2).tolist():
        ahead, last = turn * ahead - keep * keep * last + push, ahead
        grid.append(ahead)
    wave = np.interp(t, step * np.arange(len(grid)), np.array(grid) / np.std(grid))
    return np.where(t < switch_s, drogue, main) * wave


@pytest.mark.parametrize("loss", [0.0, 0.15])
def test_stages_stay_apart_where_the_body_pumps_the_pressure(loss: float) -> None:
    for seed in range(8):
        t, height, landing = fall([(700.0, 24.0), (-9.0, 11.0)], 2800.0, seed, loss)
        switch_s = float(t[np.argmax(height < 700.0)])
        found = way_down(heights_of(t, height + pumped(t, 8.0, 1.5, switch_s, seed), 0.0, landing, NOISE_M), PadAir())
        assert found is not None and [stage.kind for stage in found.stages] == [DROGUE, MAIN]
        for stage, rate in zip(found.stages, (24.0, 11.0), strict=True):
            assert stage.sea_level_m_s == pytest.approx(rate, rel=0.1)
            assert abs(stage.sea_level_m_s - rate) < 4.0 * stage.sea_level_sigma_m_s


def test_a_noisy_barometer_leaves_the_landing_where_it_was() -> None:
    rng = np.random.default_rng(8)
    for seed in range(10):
        t, height, landing = fall([(-9.0, 22.0)], 900.0, seed)
        near = (t > landing - 20.0) & (t < landing + 2.5)
        found = touchdown(heights_of(t[near], height[near] + 1.3 * rng.normal(size=near.sum()), 0.0, 1e9, NOISE_M))
        assert found is not None and found.t_s == pytest.approx(landing, abs=0.3)
        assert found.rate_m_s == pytest.approx(22.0, rel=0.1)


def test_a_pulse_of_an_ejection_is_no_speed_of_the_fall() -> None:
    for seed in range(5):
        t, height, landing = fall([(-9.0, 6.0)], 900.0, seed)
        late = np.clip(t - 0.5, 0.0, None)
        puff = np.where(t >= 0.5, 100.0 * np.exp(-late / 0.3), 0.0)
        found = way_down(heights_of(t, height - puff, 0.0, landing, NOISE_M), PadAir())
        assert found is not None and found.fastest_m_s < 15.0
    t, height, landing = fall([(700.0, 80.0), (-9.0, 6.0)], 900.0)
    late = way_down(heights_of(t, height, 0.0, landing, NOISE_M), PadAir())
    assert late is not None and late.fastest_m_s > 40.0


def test_a_landing_right_after_a_silence_is_told_or_not_but_breaks_nothing() -> None:
    """Seen: the whole descent not judged, as the line was laid through the one sample after the silence."""
    t = np.arange(0.0, 30.0, 0.1)
    height = np.maximum(60.0 - 6.0 * np.minimum(t, 12.0), 0.0)
    heard_ = (t < 8.5) | (t > 9.55)
    found = touchdown(heights_of(t[heard_], height[heard_], 0.0, 30.0, NOISE_M))
    assert found is None or abs(found.t_s - 10.0) < 1.0
