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

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.air.pad_air import SEA_LEVEL_DENSITY_KG_M3, PadAir
from server.flight.descent.blocks import FEWEST_BLOCKS, Blocks, blocks_of, fastest_block, segments
from server.flight.descent.heights import AIR_M_S, SAMPLES_IN_BLOCK, SLOWEST_M_S, Heights, line

AIR_MEMORY_S = 4.0  # blocks closer than this feel the same air
SETTLED_SHARE = 0.3  # change of rate within a stage
SAME_SHARE, SAME_M_S = 0.12, 0.6
BALLISTIC_M_S, FREE_FALL_SHARE, FREE_FALL_FROM_M = 60.0, 0.5, 10.0
MAIN_M_S, MAIN_SHARE = 12.0, 0.67
TURNS_ABOUT, HANGS = 0.5, 0.8
FEWEST_FORCES = 20
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
class WayDown:
    """The stages in order, and the greatest rate (m/s, one sigma) of any second of the way down: when (s), and after how
    many meters of fall from the top."""

    stages: tuple[Stage, ...]
    fastest_m_s: float
    fastest_sigma_m_s: float
    fastest_s: float
    fastest_fallen_m: float


def way_down(heard: Heights, air: PadAir, forces: tuple[Floats, Floats] | None = None) -> WayDown | None:
    """Return the way down; None when too little was heard, or nothing came down.

    `heard` from the top to the ground or to the last heard; `forces`: times (m,) and specific force in body axes (m, 3).
    """
    blocks = blocks_of(heard, air)
    if blocks is None:
        return None
    found = [_stage(heard, air, blocks, first, stop) for first, stop in segments(blocks)]
    stages = _joined(heard, air, blocks, [stage for stage in found if stage is not None])
    named = _named(stages, heard, forces)
    if not named:
        return None
    at = fastest_block(blocks)
    part = slice(int(blocks.first[at]), int(blocks.stop[at]))
    thin = sqrt(SEA_LEVEL_DENSITY_KG_M3 / float(air.density_at(heard.height_m[part]).mean()))
    fastest = float(blocks.rate[at]) * thin
    fallen_m = float(heard.height_m.max()) - float(heard.height_m[part].mean())
    return WayDown(named, fastest, float(blocks.sigma[at]) * thin, float(blocks.t[at]), fallen_m)


def _stage(heard: Heights, air: PadAir, blocks: Blocks, first: int, stop: int) -> Stage | None:
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
    slope, spread, _ = line(t, rate)
    change = abs(slope) * float(t[-1] - t[0])
    doubt = 2.5 * float(np.median(sigma)) / sqrt(spread) * float(t[-1] - t[0])
    if change > SETTLED_SHARE * middle + doubt and not _is_fast(middle + 0.5 * change):
        return None
    return _measured(heard, air, blocks, first, stop)


def _is_fast(sea_level_m_s: float) -> bool:
    return sea_level_m_s > BALLISTIC_M_S


def _measured(heard: Heights, air: PadAir, blocks: Blocks, first: int, stop: int) -> Stage:
    part = slice(int(blocks.first[first]), int(blocks.stop[stop - 1]))
    t, height = heard.t_s[part], heard.height_m[part]
    slope, spread, left = line(t, air.as_in_sea_level_air_m(height))
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


def _joined(heard: Heights, air: PadAir, blocks: Blocks, stages: list[Stage]) -> list[Stage]:
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
    slope, spread, left = line(t[late], height[late])
    fallen = float(height[0] - height[late].mean())
    if slope >= 0.0 or slope * slope < FREE_FALL_SHARE * 2.0 * GRAVITY_M_S2 * fallen:
        return None
    sigma = max(left, heard.sigma_m) / sqrt(spread)
    return Stage(
        BALLISTIC, float(t[0]), float(t[-1]), float(height[0]), -slope, sigma, SEA_LEVEL_DENSITY_KG_M3, -slope, sigma,
        len(t),
    )  # fmt: skip
