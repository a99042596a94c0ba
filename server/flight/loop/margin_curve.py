"""Margins over dynamic pressure with their doubt, where the gains can be kept, and gains that follow the dynamic pressure.

Goal values as in MIL-F-9490D for the loops of a flight control system, 6 dB and 45 degrees (from memory). They are asked of
the lower end of the 95 % interval, and nothing is said of dynamic pressures that this flight did not excite.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from protocol.arrays import Bools, Floats
from server.flight.loop.roll_loop import Lateness, RollLaw, margins, phase_margins

GOAL_DB, GOAL_RAD = 6.0, float(np.radians(45.0))
DRAWS = 400
POINTS = 25
EXCITED_RAD = 0.001  # standard deviation of the fins around a moment, as `roll_authority` asks; common practice, no source
AROUND_S = 0.5
LEAST_FACTOR, FACTORS = 0.02, 28  # lower gains hold nothing


@dataclass(frozen=True, slots=True)
class Effectiveness:
    """Roll authority (rad/s2 per Pa and rad, the sign of the law's own fins positive) with its 95 % interval.

    `from_pa`, `to_pa`: the dynamic pressures at which the flight excited it.
    """

    value: float
    low: float
    high: float
    from_pa: float
    to_pa: float


@dataclass(frozen=True, slots=True)
class Doubt:
    """One sigma, as a share, of what the sheet tells: damping, servo lag, all dead times. Common practice, no source."""

    damping: float = 0.3
    lag: float = 0.15
    delay: float = 0.3


SHEET_DOUBT = Doubt()


@dataclass(frozen=True, slots=True)
class Band:
    """A value with its 95 % interval at each dynamic pressure, shape (n,)."""

    value: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class MarginCurve:
    """Gain margin (dB), phase margin (rad), crossover (rad/s) over dynamic pressure (Pa), shape (n,)."""

    pressure_pa: Floats
    gain_db: Band
    phase_rad: Band
    crossover_rad_s: Floats

    @property
    def is_good(self) -> Bools:
        """Where both goals are met with the whole interval."""
        return _meets(self.gain_db.low, self.phase_rad.low)


@dataclass(frozen=True)
class RollLoop:
    """All that the margins follow from. `damping` is k in s-1 Pa-0.5, 0 where the sheet is silent: the safe side."""

    law: RollLaw
    effectiveness: Effectiveness
    lateness: Lateness
    damping: float = 0.0
    doubt: Doubt = SHEET_DOUBT

    def likely(self, pressure_pa: Floats) -> tuple[Floats, ...]:
        """Return what `roll_loop.margins` takes, by the most likely values, at dynamic pressures of shape (n,)."""
        q = np.asarray(pressure_pa, dtype=np.float64)
        return self._parameters(q, self.effectiveness.value, self.damping, self.lateness)

    def drawn(self, pressure_pa: Floats) -> tuple[Floats, ...]:
        """Return the same of `DRAWS` loops that could be this one, shapes (DRAWS, n) or less."""
        q = np.asarray(pressure_pa, dtype=np.float64)[None, :]
        z = np.random.default_rng(9490).standard_normal((4, DRAWS, 1))  # one seed: the same recording, the same words
        held, doubt, late = self.effectiveness, self.doubt, self.lateness
        side = np.where(z[0] < 0.0, held.value - held.low, held.high - held.value) / 1.96
        share = np.exp(z[1:] * np.array([doubt.damping, doubt.lag, doubt.delay])[:, None, None])
        lateness = _Late(late.lag_s * share[1], late.delay_s * share[2])
        return self._parameters(q, held.value + z[0] * side, self.damping * share[0], lateness)

    def _parameters(
        self, q: Floats, authority: Floats | float, damping: Floats | float, late: Lateness | _Late
    ) -> tuple[Floats, ...]:
        law = self.law
        # A law without a rate gain is one whose angle is infinitely more; a small one keeps the formulas.
        rate = law.rate_gain_s if law.rate_gain_s > 0.0 else max(law.angle_gain, 1e-12) * 1e-9
        given = (authority * q * rate * law.share(q), law.angle_gain / rate, damping * np.sqrt(q), late.lag_s, late.delay_s)
        return tuple(np.asarray(one, dtype=np.float64) for one in given)


@dataclass(frozen=True, slots=True)
class _Late:
    lag_s: Floats
    delay_s: Floats


def margin_curve(loop: RollLoop, pressure_pa: Floats | None = None) -> MarginCurve:
    """Return the margins over the dynamic pressures that were excited, or at those given, shape (n,)."""
    held = loop.effectiveness
    q = np.geomspace(held.from_pa, held.to_pa, POINTS) if pressure_pa is None else np.asarray(pressure_pa, np.float64)
    likely, drawn = margins(*loop.likely(q)), margins(*loop.drawn(q))
    return MarginCurve(
        q, _band(likely.gain_db, drawn.gain_db), _band(likely.phase_rad, drawn.phase_rad), likely.crossover_rad_s
    )


def _band(likely: Floats, drawn: Floats) -> Band:
    low, high = np.quantile(drawn, [0.025, 0.975], axis=0, method="inverted_cdf")
    return Band(likely, np.minimum(low, likely), np.maximum(high, likely))


def _meets(gain_db: Floats, phase_rad: Floats) -> Bools:
    return (gain_db >= GOAL_DB) & (phase_rad >= GOAL_RAD)


def kept_ranges(curve: MarginCurve) -> list[tuple[float, float]]:
    """Return the stretches of dynamic pressure (Pa) in which the gains can stay as they are."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], curve.is_good.astype(np.int64), [0]))))
    return [
        (float(curve.pressure_pa[a]), float(curve.pressure_pa[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]


def greatest_factor(loop: RollLoop, pressure_pa: Floats) -> Floats:
    """Return the greatest factor on both gains, no more than 1, at which both goals are met, shape (n,).

    NaN where lower gains do not help either: with an angle held by little rate gain, or the fins the wrong way round. A
    factor is taken off the gain margin as it is; the phase margin need not grow as gains fall, so factors are tried.
    """
    q = np.asarray(pressure_pa, dtype=np.float64)
    gain, *others = loop.drawn(q)
    room_db = np.quantile(margins(gain, *others).gain_db, 0.025, axis=0, method="inverted_cdf") - GOAL_DB
    most = np.minimum(1.0, 10.0 ** (room_db / 20.0))
    best = np.full(q.shape, np.nan)
    for factor in np.geomspace(1.0, LEAST_FACTOR, FACTORS):
        tried = np.minimum(factor, most)
        phases, _ = phase_margins(gain * tried, *others)
        fits = (np.quantile(phases, 0.025, axis=0, method="inverted_cdf") >= GOAL_RAD) & (tried >= LEAST_FACTOR)
        best = np.where(fits & np.isnan(best), tried, best)
        if not np.isnan(best).any():
            break
    return best


@dataclass(frozen=True, slots=True)
class GainSchedule:
    """Gains that follow the dynamic pressure: those of `law`, which divides by it from `least_pa` on.

    Below `from_pa` they stay what they are there (the ceiling), so that no gain is raised where nothing was excited; above
    `to_pa` they go on falling as 1/q, and below the floor there nothing is known. `raised` tells whether a gain would be
    higher than the declared one anywhere in between.
    """

    law: RollLaw
    from_pa: float
    to_pa: float
    raised: bool

    @property
    def ceiling(self) -> tuple[float, float]:
        """Angle gain and rate gain (s) at `from_pa`, the highest."""
        return self.at(self.from_pa)

    @property
    def floor(self) -> tuple[float, float]:
        """Angle gain and rate gain (s) at `to_pa`, the lowest that was tried."""
        return self.at(self.to_pa)

    def at(self, pressure_pa: float) -> tuple[float, float]:
        """Return angle gain and rate gain (s) at a dynamic pressure."""
        share = float(self.law.share(np.array(pressure_pa)))
        return self.law.angle_gain * share, self.law.rate_gain_s * share


def schedule(loop: RollLoop) -> GainSchedule | None:
    """Return gains k ~ 1/q that meet the goals over the whole excited range; None where lowering does not do it.

    The product of gain and dynamic pressure is never above the greatest one flown, and what divides by it has the lowest
    excited one as its floor.
    """
    held, law = loop.effectiveness, loop.law
    q = np.geomspace(held.from_pa, held.to_pa, POINTS)
    share = law.share(q)
    flown = float((share * q).max())
    # The law as it would be: the same loop gain everywhere.
    even = replace(law, angle_gain=law.angle_gain * flown / held.from_pa, rate_gain_s=law.rate_gain_s * flown / held.from_pa)
    even = replace(even, reference_pa=held.from_pa, least_pa=held.from_pa)
    factor = greatest_factor(replace(loop, law=even), q)
    if not np.isfinite(factor).all():
        return None
    least = float(factor.min())
    kept = replace(even, angle_gain=even.angle_gain * least, rate_gain_s=even.rate_gain_s * least)
    raised = bool((kept.rate_gain_s * kept.share(q) > law.rate_gain_s * share * (1.0 + 1e-9)).any())
    return GainSchedule(kept, held.from_pa, held.to_pa, raised)


def excited_range(fins: tuple[Floats, Floats], pressure: tuple[Floats, Floats]) -> tuple[float, float] | None:
    """Return the least and the greatest dynamic pressure (Pa) at which the fins moved; None where they never did.

    `fins` and `pressure` are (times, values), shape (n,) each, in order of time.
    """
    t, angle = fins
    if t.size < 4 or pressure[0].size < 2:
        return None
    first, last = np.searchsorted(t, t - AROUND_S / 2), np.searchsorted(t, t + AROUND_S / 2, side="right")
    count = np.maximum(last - first, 1)
    sums = [np.concatenate(([0.0], np.cumsum(one))) for one in (angle - angle.mean(), (angle - angle.mean()) ** 2)]
    mean, square = ((one[last] - one[first]) / count for one in sums)
    moved = np.sqrt(np.maximum(square - mean**2, 0.0)) >= EXCITED_RAD
    moved &= (count >= 3) & (t >= pressure[0][0]) & (t <= pressure[0][-1])
    if moved.sum() < 2:
        return None
    q = np.interp(t[moved], *pressure)
    return float(q.min()), float(q.max())


def words_of(ranges: Sequence[tuple[float, float]]) -> str:
    """Return stretches of dynamic pressure as words: "300 to 900 Pa and 1200 to 2000 Pa"."""
    return " and ".join(f"{low:.0f} to {high:.0f} Pa" for low, high in ranges)
