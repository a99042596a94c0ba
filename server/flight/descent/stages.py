"""The way down in stages: where the rate of descent changed, what each rate is, and what it was that came down.

Heights are stretched so that a fall at terminal speed is straight at any height (`PadAir`), cut into blocks with a
least-squares rate each, and the blocks into segments with a straight-line rate each by optimal partitioning: the cuts that
make the sum of squares plus `CUT_COST` per segment least (B. Jackson et al., "An algorithm for optimal partitioning of
data on an interval", IEEE Signal Processing Letters 12, 2005). A straight-line rate holds a fall that gathers speed in one
segment. The settled ones are stages; neighbors whose rates differ by less than `SAME_SHARE` are one.

What a stage is, without a sheet:

    ballistic   above `BALLISTIC_M_S` in sea-level air, or still with most of the energy of a free fall from the top
    tumbling    forces that turn about in the body: the mean of their unit vectors is short
    drogue      fast, and a stage at most `MAIN_SHARE` as fast follows; or fast with forces that hang steadily
    main        slowed to `MAIN_SHARE` or less of the stage before; or the only one and no faster than `MAIN_M_S`

A fast one alone that no force tells apart is "drogue or tumbling". Thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike

from protocol.arrays import Floats, Ints
from protocol.units import GRAVITY_M_S2
from server.flight.air.pad_air import SEA_LEVEL_DENSITY_KG_M3, PadAir

BLOCK_S, BLOCKS_AT_MOST = 1.0, 400
# A body that swings pumps the pressure in it: heights then err together for a second. Blocks are made longer until rates of
# neighbors scatter no more than `SCATTER_RATIO` times what they should but in `SCATTER_SHARE` of them, up to this, while
# `BLOCKS_ENOUGH` are left.
LONGEST_BLOCK_S, SCATTER_RATIO, SCATTER_SHARE, BLOCKS_ENOUGH, NEAR_BLOCKS = 4.0, 1.5, 0.2, 10, 5
NORMAL_MAD = 1.4826  # one sigma of a normal distribution over its median absolute deviation
SAMPLES_IN_BLOCK = 3
# Rising and sinking air and swinging, one sigma of a block's rate: of any rate, and as a share of it.
AIR_M_S, AIR_SHARE = 0.4, 0.06
AIR_MEMORY_S = 4.0  # blocks closer than this feel the same air
CUT_COST = 16.0
FEWEST_BLOCKS = 3
SETTLED_SHARE = 0.3  # change of rate within a stage
SAME_SHARE, SAME_M_S = 0.12, 0.6
SLOWEST_M_S = 0.7  # below it nothing comes down
BALLISTIC_M_S, FREE_FALL_SHARE, FREE_FALL_FROM_M = 60.0, 0.5, 10.0
MAIN_M_S, MAIN_SHARE = 12.0, 0.67
TURNS_ABOUT, HANGS = 0.5, 0.8
FEWEST_FORCES = 20
LAST_S, CLEAR_M, CLEAR_SIGMAS = (
    3.0,
    2.0,
    4.0,
)  # of the fall for the speed at landing; a height this far over the rest is in the air
CORNER_S, TOUCHDOWN_REST_S, BENDS_SIGMAS = 2.0, 0.8, 5.0
GATHERS_AT_MOST = 1.3  # of gravity, thin air stretching the rest
GATHERS_M_S2 = 0.3 * GRAVITY_M_S2  # less is a gust or swinging; a free fall that no drag holds yet gathers more
BALLISTIC, TUMBLING, DROGUE, MAIN, UNSURE = "ballistic", "tumbling", "drogue", "main", "drogue or tumbling"


@dataclass(frozen=True)
class Stage:
    """One stage of the descent, from when to when (s) and from which height (m); rates in m/s, positive down.

    `rate_m_s` with one sigma is the mean over the stage, `sea_level_m_s` with one sigma what it would be in standard air
    at sea level, `density_kg_m3` the mean over the stage.
    """

    kind: str
    start_s: float
    end_s: float
    top_m: float
    rate_m_s: float
    sigma_m_s: float
    density_kg_m3: float
    sea_level_m_s: float
    sea_level_sigma_m_s: float
    samples: int


@dataclass(frozen=True)
class Touchdown:
    """The end of the fall by the raw heights: when (s) with one sigma, and the rate (m/s) just before with one sigma."""

    t_s: float
    sigma_s: float
    rate_m_s: float
    sigma_m_s: float


@dataclass(frozen=True)
class Heights:
    """Heights over the pad: times (s), heights (m) as measured, both (n,), in order, and one sigma (m)."""

    t_s: Floats
    height_m: Floats
    sigma_m: float


def heights_of(t_s: ArrayLike, height_m: ArrayLike, start_s: float, end_s: float, sigma_m: float = 0.3) -> Heights:
    """Return what can be used of heights of any order, with gaps, repeats and numbers that are none, within a window."""
    t, height = np.asarray(t_s, dtype=np.float64), np.asarray(height_m, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        good = (t >= start_s) & (t <= end_s) & (np.abs(height) < 1e5)
    t, index = np.unique(t[good], return_index=True)
    return Heights(t, height[good][index], sigma_m)


@dataclass(frozen=True)
class WayDown:
    """The stages in order, and the greatest rate (m/s) of any second of the way down with its time (s)."""

    stages: tuple[Stage, ...]
    fastest_m_s: float
    fastest_s: float


def way_down(heard: Heights, air: PadAir, forces: tuple[Floats, Floats] | None = None) -> WayDown | None:
    """Return the way down; None when too little was heard, or nothing came down.

    `heard` from the top to the ground or to the last heard; `forces`: times (m,) and specific force in body axes (m, 3).
    """
    blocks = _blocks(heard, air)
    if blocks is None:
        return None
    found = [_stage(heard, air, blocks, first, stop) for first, stop in _segments(blocks)]
    stages = _joined(heard, air, blocks, [stage for stage in found if stage is not None])
    named = _named(stages, heard, forces)
    if not named:
        return None
    at = _fastest(blocks)
    part = slice(int(blocks.first[at]), int(blocks.stop[at]))
    thin = sqrt(SEA_LEVEL_DENSITY_KG_M3 / float(air.density_at(heard.height_m[part]).mean()))
    fastest = float(blocks.rate[at]) * thin
    return WayDown(named, fastest, float(blocks.t[at]))


def _fastest(blocks: _Blocks) -> int:
    """Return the block with the greatest rate that gravity could have brought it to from the one before.

    A pulse of an ejection in the barometer's bay looks like a fall of a hundred meters in no time.
    """
    apart = np.diff(blocks.t, prepend=blocks.t[0] - (blocks.t[1] - blocks.t[0]))
    before = np.concatenate(([0.0], np.maximum(blocks.rate[:-1], 0.0)))
    reached = blocks.rate <= before + GATHERS_AT_MOST * GRAVITY_M_S2 * apart + 3.0 * blocks.sigma
    reached[0] |= bool(blocks.rate[0] <= blocks.rate[1])  # what it came with, where the top was not heard
    return int(np.where(reached, blocks.rate, -np.inf).argmax()) if reached.any() else int(blocks.rate.argmin())


@dataclass(frozen=True)
class _Blocks:
    """Blocks of heights: first and one past the last sample, middle (s), rate in sea-level air (m/s) and its sigma."""

    first: Ints
    stop: Ints
    t: Floats
    rate: Floats
    sigma: Floats


def _blocks(heard: Heights, air: PadAir) -> _Blocks | None:
    t = heard.t_s
    if len(t) < SAMPLES_IN_BLOCK * FEWEST_BLOCKS:
        return None
    apart = float(np.median(np.diff(t)))
    length = max(BLOCK_S, (SAMPLES_IN_BLOCK + 1) * apart, (t[-1] - t[0]) / BLOCKS_AT_MOST)
    while True:
        blocks = _blocks_of(heard, air, length)
        if blocks is None:
            return None
        excess = _scatter(blocks.rate) / blocks.sigma
        if (excess > SCATTER_RATIO).mean() < SCATTER_SHARE:
            return blocks
        if 2.0 * length > LONGEST_BLOCK_S or len(blocks.rate) < 2 * BLOCKS_ENOUGH:
            return replace(blocks, sigma=blocks.sigma * np.maximum(excess, 1.0))
        length *= 2.0


def _scatter(rate: Floats) -> Floats:
    """Return one sigma of rates, shape (n,), by how far each is off the middle of its neighbors, those around it together.

    A fall that gathers speed evenly does not count, nor does one change of stage.
    """
    steps = np.abs(np.diff(rate, 2))
    width = min(2 * NEAR_BLOCKS + 1, len(steps))
    medians = np.median(np.lib.stride_tricks.sliding_window_view(steps, width), axis=1)
    places = np.clip(np.arange(len(rate)) - 1 - width // 2, 0, len(medians) - 1)
    return np.asarray(NORMAL_MAD / sqrt(6.0) * medians[places], dtype=np.float64)


def _blocks_of(heard: Heights, air: PadAir, length: float) -> _Blocks | None:
    t = heard.t_s
    fallen = air.as_in_sea_level_air_m(heard.height_m)
    edges = np.searchsorted(t, np.arange(t[0], t[-1] + 1e-9, length))
    rows = []
    for first, stop in zip(edges, [*edges[1:], len(t)], strict=True):
        if stop - first >= SAMPLES_IN_BLOCK and t[stop - 1] - t[first] >= 0.4 * length:
            slope, spread, left = _line(t[first:stop], fallen[first:stop])
            rows.append((int(first), int(stop), float(t[first:stop].mean()), -slope, spread, left))
    if len(rows) < FEWEST_BLOCKS:
        return None
    table = np.array(rows)
    noise_m = max(heard.sigma_m, float(np.median(table[:, 5])))
    rate = table[:, 3]
    sigma = np.sqrt(noise_m * noise_m / table[:, 4] + AIR_M_S**2 + (AIR_SHARE * rate) ** 2)
    return _Blocks(table[:, 0].astype(np.int64), table[:, 1].astype(np.int64), table[:, 2], rate, sigma)


def _line(t: Floats, y: Floats) -> tuple[float, float, float]:
    """Return slope of the least-squares line, the sum of squares of time about its mean, and rms of what is left."""
    tau = t - t.mean()
    spread = float(tau @ tau)
    slope = float(tau @ y) / spread
    left = y - y.mean() - slope * tau
    return slope, spread, sqrt(float(left @ left) / max(len(t) - 2, 1))


def _segments(blocks: _Blocks) -> list[tuple[int, int]]:
    """Return (first, stop) of the blocks of each segment: the partition of least cost."""
    w = 1.0 / blocks.sigma**2
    t, y = blocks.t - blocks.t[0], blocks.rate
    sums = [np.concatenate(([0.0], np.cumsum(w * part))) for part in (np.ones(len(t)), t, y, t * t, t * y, y * y)]
    count = len(t)
    best = np.full(count + 1, np.inf)
    best[0] = -CUT_COST
    came = np.zeros(count + 1, dtype=np.int64)
    for stop in range(1, count + 1):
        # A segment of fewer blocks would be a guess; only the whole may be as short as that.
        first = np.arange(0, stop - 1) if stop > 1 else np.array([0])
        sw, st, sy, stt, sty, syy = (part[stop] - part[first] for part in sums)
        ctt, cty, cyy = stt - st * st / sw, sty - st * sy / sw, syy - sy * sy / sw
        with np.errstate(divide="ignore", invalid="ignore"):
            left = np.where(ctt > 1e-9 * sw, cyy - cty * cty / ctt, cyy)
        cost = best[first] + np.maximum(left, 0.0) + CUT_COST
        at = int(cost.argmin())
        best[stop], came[stop] = cost[at], first[at]
    out = []
    while count > 0:
        out.append((int(came[count]), count))
        count = int(came[count])
    return out[::-1]


def _stage(heard: Heights, air: PadAir, blocks: _Blocks, first: int, stop: int) -> Stage | None:
    """Return a segment as a stage, without the blocks at its ends in which the rate still changed; None if not settled."""
    rate, sigma = blocks.rate[first:stop], blocks.sigma[first:stop]
    middle = float(np.median(rate))
    near = np.flatnonzero(np.abs(rate - middle) <= np.maximum(0.5 * SETTLED_SHARE * abs(middle), 2.5 * sigma))
    if not len(near):
        return None
    first, stop = first + int(near[0]), first + int(near[-1]) + 1
    rate, sigma = blocks.rate[first:stop], blocks.sigma[first:stop]
    if stop - first < FEWEST_BLOCKS or middle < SLOWEST_M_S:
        return None
    t = blocks.t[first:stop]
    slope, spread, _ = _line(t, rate)
    change = abs(slope) * float(t[-1] - t[0])
    doubt = 2.5 * float(np.median(sigma)) / sqrt(spread) * float(t[-1] - t[0])
    if change > SETTLED_SHARE * middle + doubt and not _is_fast(middle + 0.5 * change):
        return None
    return _measured(heard, air, blocks, first, stop)


def _is_fast(sea_level_m_s: float) -> bool:
    return sea_level_m_s > BALLISTIC_M_S


def _measured(heard: Heights, air: PadAir, blocks: _Blocks, first: int, stop: int) -> Stage:
    part = slice(int(blocks.first[first]), int(blocks.stop[stop - 1]))
    t, height = heard.t_s[part], heard.height_m[part]
    slope, spread, left = _line(t, air.as_in_sea_level_air_m(height))
    span_s = float(t[-1] - t[0])
    rates = blocks.rate[first:stop]
    # Blocks of the same air are no independent witnesses.
    witnesses = max(1.0, span_s / AIR_MEMORY_S)
    scatter = max(float(rates.std(ddof=1)) if len(rates) > 2 else 0.0, 0.5 * AIR_M_S)
    noise_m = max(heard.sigma_m, left)
    sigma = sqrt(noise_m * noise_m / spread + scatter * scatter / witnesses)
    density = float(air.density_at(height).mean())
    thin = sqrt(SEA_LEVEL_DENSITY_KG_M3 / density)
    return Stage(
        "", float(t[0]), float(t[-1]), float(np.median(height[: SAMPLES_IN_BLOCK])), -slope * thin, sigma * thin, density,
        -slope, sigma, len(t),
    )  # fmt: skip


def _joined(heard: Heights, air: PadAir, blocks: _Blocks, stages: list[Stage]) -> list[Stage]:
    """Join neighbors that fall alike."""
    out: list[Stage] = []
    for stage in stages:
        last = out[-1] if out else None
        if last is None or not _are_alike(last, stage):
            out.append(stage)
            continue
        first = int(np.searchsorted(heard.t_s[blocks.first], last.start_s))
        stop = int(np.searchsorted(heard.t_s[blocks.first], stage.end_s))
        out[-1] = _measured(heard, air, blocks, first, stop)
    return out


def _are_alike(one: Stage, two: Stage) -> bool:
    apart = abs(one.sea_level_m_s - two.sea_level_m_s)
    sigma = sqrt(one.sea_level_sigma_m_s**2 + two.sea_level_sigma_m_s**2)
    return apart < max(SAME_SHARE * max(one.sea_level_m_s, two.sea_level_m_s), SAME_M_S, 3.0 * sigma)


def _named(stages: list[Stage], heard: Heights, forces: tuple[Floats, Floats] | None) -> tuple[Stage, ...]:
    """Say what each stage is; without any stage, whether it fell freely."""
    if not stages:
        free = _free_fall(heard)
        return () if free is None else (free,)
    top_m, kinds = float(heard.height_m.max()), []
    for place, stage in enumerate(stages):
        before = stages[place - 1].sea_level_m_s if place else None
        after = stages[place + 1].sea_level_m_s if place + 1 < len(stages) else None
        rate = stage.sea_level_m_s
        fallen = top_m - stage.top_m + 0.5 * stage.rate_m_s * (stage.end_s - stage.start_s)
        if _is_fast(rate) or stage.rate_m_s**2 > FREE_FALL_SHARE * 2.0 * GRAVITY_M_S2 * max(fallen, FREE_FALL_FROM_M):
            kinds.append(BALLISTIC)
            continue
        if (before is not None and rate <= MAIN_SHARE * before) or rate <= MAIN_M_S:
            kinds.append(MAIN)
            continue
        steady = None if forces is None else _steadiness(*forces, stage)
        if steady is not None and steady < TURNS_ABOUT:
            kinds.append(TUMBLING)
        elif (after is not None and after <= MAIN_SHARE * rate) or (steady is not None and steady > HANGS):
            kinds.append(DROGUE)
        else:
            kinds.append(UNSURE)
    out: list[Stage] = []
    for stage, kind in zip(stages, kinds, strict=True):
        start = out.pop() if out and out[-1].kind == kind == BALLISTIC else stage
        out.append(replace(stage, kind=kind, start_s=start.start_s, top_m=start.top_m))
    return tuple(out)


def _steadiness(t: Floats, force: Floats, stage: Stage) -> float | None:
    """Return the length of the mean of the forces' unit vectors over a stage: 1 hanging still, near 0 turning about.

    None when too little was heard, or the forces never changed at all: a frozen sensor hangs still for ever.
    """
    inside = (t >= stage.start_s) & (t <= stage.end_s)
    vectors = force[inside]
    length = np.sqrt((vectors * vectors).sum(axis=1))
    with np.errstate(invalid="ignore"):
        good = (length > 0.2 * GRAVITY_M_S2) & (length < 1e4)
    if good.sum() < FEWEST_FORCES or not vectors[good].std(axis=0).any():
        return None
    mean = (vectors[good] / length[good][:, None]).mean(axis=0)
    return sqrt(float(mean @ mean))


def _free_fall(heard: Heights) -> Stage | None:
    """Return the fall from the top as one ballistic stage when it never settled and kept the energy of a free fall."""
    top = int(heard.height_m.argmax())
    t, height = heard.t_s[top:], heard.height_m[top:]
    if len(t) < SAMPLES_IN_BLOCK * 2 or height[0] - height[-1] < FREE_FALL_FROM_M:
        return None
    late = t >= t[-1] - 1.0
    if late.sum() < SAMPLES_IN_BLOCK:
        return None
    slope, spread, left = _line(t[late], height[late])
    fallen = float(height[0] - height[late].mean())
    if slope >= 0.0 or slope * slope < FREE_FALL_SHARE * 2.0 * GRAVITY_M_S2 * fallen:
        return None
    sigma = max(left, heard.sigma_m) / sqrt(spread)
    return Stage(
        BALLISTIC, float(t[0]), float(t[-1]), float(height[0]), -slope, sigma, SEA_LEVEL_DENSITY_KG_M3, -slope, sigma,
        len(t),
    )  # fmt: skip


def touchdown(heard: Heights) -> Touchdown | None:
    """Return when the fall ended and how fast it was then, from raw heights that reach over the landing into the rest.

    A falling line that ends in a level one is fitted around the last height clear of the rest, its corner tried at every
    half sample; the rate is that of the line through the last `LAST_S` in the air. None when the window holds no fall that
    ends, or too little on either side.
    """
    t, height = heard.t_s, heard.height_m
    if len(t) < 4 * SAMPLES_IN_BLOCK:
        return None
    rest_m = float(np.median(height[t >= t[-1] - TOUCHDOWN_REST_S]))
    steps = np.diff(height)
    noise_m = NORMAL_MAD * float(np.median(np.abs(steps - np.median(steps)))) / sqrt(2.0)
    above = np.flatnonzero(height > rest_m + max(CLEAR_M, CLEAR_SIGMAS * max(heard.sigma_m, noise_m)))
    if not len(above) or (t > t[above[-1]]).sum() < SAMPLES_IN_BLOCK:
        return None
    near_s = float(t[above[-1]])
    use = (t >= near_s - 0.5 * CORNER_S) & (t <= near_s + CORNER_S + TOUCHDOWN_REST_S)
    if use.sum() < 3 * SAMPLES_IN_BLOCK:
        return None
    corner = _corner(t[use], height[use], near_s)
    last = (t >= corner - LAST_S) & (t < corner)
    if last.sum() < SAMPLES_IN_BLOCK or t[last][-1] - t[last][0] < 0.3 * LAST_S:
        return None
    rate, sigma, noise_m = _rate_at(t[last] - corner, height[last], heard.sigma_m)
    if rate < SLOWEST_M_S:
        return None
    after = min(int(np.searchsorted(t, corner)), len(t) - 1)
    gap = float(t[after] - t[after - 1])
    sigma = sqrt(sigma * sigma + (AIR_SHARE * rate) ** 2)
    return Touchdown(corner, sqrt((noise_m / rate) ** 2 + gap * gap / 12.0), rate, sigma)


def _rate_at(tau: Floats, height: Floats, sigma_m: float) -> tuple[float, float, float]:
    """Return the rate (m/s, down) at tau = 0, its sigma, and the scatter (m): of a line, or of a parabola if it bends."""
    slope, spread, left = _line(tau, height)
    line = -slope, max(left, sigma_m) / sqrt(spread), max(left, sigma_m)
    if len(tau) < 3 * SAMPLES_IN_BLOCK:
        return line
    design = np.column_stack((np.ones(len(tau)), tau, tau * tau))
    inverse = np.linalg.inv(design.T @ design)
    fit = inverse @ (design.T @ height)
    misses = height - design @ fit
    noise = max(sigma_m, sqrt(float(misses @ misses) / (len(tau) - 3)))
    gathers = -2.0 * float(fit[2])
    if gathers < max(GATHERS_M_S2, 2.0 * BENDS_SIGMAS * noise * sqrt(inverse[2, 2])):
        return line
    return -float(fit[1]), noise * sqrt(inverse[1, 1]), noise


def _corner(t: Floats, height: Floats, near_s: float) -> float:
    """Return the time of the corner (s) with which a falling and then a level line fit best."""
    step = max(0.5 * float(np.median(np.diff(t))), 0.01)
    best = (np.inf, near_s)
    for corner in np.arange(near_s, min(near_s + CORNER_S, float(t[-1])), step).tolist():
        before = np.maximum(corner - t, 0.0)
        slope, _, left = _line(before, height)
        if slope > 0.0 and left < best[0]:
            best = left, corner
    return best[1]
