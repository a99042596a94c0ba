"""The way down in blocks with a rate of descent each, and the segments of blocks that one straight-line rate holds.

Segments are cut by optimal partitioning (B. Jackson et al.; see `stages`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from protocol.arrays import Floats, Ints
from protocol.units import GRAVITY_M_S2
from server.flight.air.pad_air import PadAir
from server.flight.descent.heights import AIR_M_S, AIR_SHARE, NORMAL_MAD, SAMPLES_IN_BLOCK, Heights, line

BLOCK_S, BLOCKS_AT_MOST = 1.0, 400
# A body that swings pumps the pressure in it: heights then err together for a second. Blocks are made longer until rates of
# neighbors scatter no more than `SCATTER_RATIO` times what they should but in `SCATTER_SHARE` of them, up to this, while
# `BLOCKS_ENOUGH` are left.
LONGEST_BLOCK_S, SCATTER_RATIO, SCATTER_SHARE, BLOCKS_ENOUGH, NEAR_BLOCKS = 4.0, 1.5, 0.2, 10, 5
CUT_COST = 16.0
FEWEST_BLOCKS = 3
GATHERS_AT_MOST = 1.3  # of gravity, thin air stretching the rest


@dataclass(frozen=True)
class Blocks:
    """Blocks of heights: first and one past the last sample, middle (s), rate in sea-level air (m/s) and its sigma."""

    first: Ints
    stop: Ints
    t: Floats
    rate: Floats
    sigma: Floats


def blocks_of(heard: Heights, air: PadAir) -> Blocks | None:
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


def _blocks_of(heard: Heights, air: PadAir, length: float) -> Blocks | None:
    t = heard.t_s
    fallen = air.as_in_sea_level_air_m(heard.height_m)
    edges = np.searchsorted(t, np.arange(t[0], t[-1] + 1e-9, length))
    rows = []
    for first, stop in zip(edges, [*edges[1:], len(t)], strict=True):
        if stop - first >= SAMPLES_IN_BLOCK and t[stop - 1] - t[first] >= 0.4 * length:
            slope, spread, left = line(t[first:stop], fallen[first:stop])
            rows.append((int(first), int(stop), float(t[first:stop].mean()), -slope, spread, left))
    if len(rows) < FEWEST_BLOCKS:
        return None
    table = np.array(rows)
    noise_m = max(heard.sigma_m, float(np.median(table[:, 5])))
    rate = table[:, 3]
    sigma = np.sqrt(noise_m * noise_m / table[:, 4] + AIR_M_S**2 + (AIR_SHARE * rate) ** 2)
    return Blocks(table[:, 0].astype(np.int64), table[:, 1].astype(np.int64), table[:, 2], rate, sigma)


def segments(blocks: Blocks) -> list[tuple[int, int]]:
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


def fastest_block(blocks: Blocks) -> int:
    """Return the block with the greatest rate that gravity could have brought it to from the one before.

    A pulse of an ejection in the barometer's bay looks like a fall of a hundred meters in no time.
    """
    apart = np.diff(blocks.t, prepend=blocks.t[0] - (blocks.t[1] - blocks.t[0]))
    before = np.concatenate(([0.0], np.maximum(blocks.rate[:-1], 0.0)))
    reached = blocks.rate <= before + GATHERS_AT_MOST * GRAVITY_M_S2 * apart + 3.0 * blocks.sigma
    reached[0] |= bool(blocks.rate[0] <= blocks.rate[1])  # what it came with, where the top was not heard
    return int(np.where(reached, blocks.rate, -np.inf).argmax()) if reached.any() else int(blocks.rate.argmin())
