"""The whole: flights drawn, flown up and brought down in each case, in blocks that tell how far they are.

The cases: the parachutes open as they should; early, in the coast; late; only one of two; none. Each is the same drawn
flight with another way down, so that what differs between cases is the case. Only how early and how late is drawn anew;
`EARLY_S` and `LATE_S` are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from protocol.arrays import Floats
from server.flight.dispersion.ascent import Ascents, climb
from server.flight.dispersion.canopies import Canopies, descend
from server.flight.dispersion.draws import Sigmas, drawn
from server.flight.dispersion.lot import Lot

BLOCK = 500
EARLY_S, LATE_S = (0.5, 3.0), (2.0, 6.0)
NOMINAL, EARLY, LATE, ONE, NONE = "nominal", "early", "late", "one", "none"
CASES = (NOMINAL, EARLY, LATE, ONE, NONE)
_SHARE_UP = 0.6  # of the work

Progress = Callable[[int], None]


@dataclass(frozen=True)
class Way:
    """How it comes down, the same for all: drag areas in m2 of the whole when nothing, one and both are open.

    None where the sheet does not tell: then there is no such case. `after_s`: from the top to the opening as it should be.
    """

    closed_m2: float
    one_m2: float | None
    both_m2: float | None
    after_s: float = 0.2
    after_sigma_s: float = 0.1
    opening_s: float = 0.5


@dataclass(frozen=True)
class Gate:
    """From which height in m and at which speed in m/s the fins steer."""

    altitude_m: float
    speed_m_s: float


@dataclass(frozen=True)
class Flown:
    """What n flights gave, (n,), SI units, angles in rad; `ground_m` by case (2, n). NaN where a flight never left."""

    exit_speed_m_s: Floats
    exit_attack_rad: Floats
    lean_rad: Floats
    apogee_m: Floats
    apogee_s: Floats
    fastest_m_s: Floats
    control_s: Floats | None
    ground_m: dict[str, Floats]
    rate_m_s: dict[str, Floats]

    @property
    def stuck(self) -> int:
        """How many never left their rail."""
        return int(np.isnan(self.exit_speed_m_s).sum())


@dataclass(frozen=True)
class Question:
    """What is asked: the vehicle as its sheet has it (a lot of one), its doubts, its way down, its gate."""

    nominal: Lot
    sigmas: Sigmas
    way: Way
    gate: Gate | None = None
    any_direction: bool = False


def disperse(question: Question, count: int, seed: int, heard: Progress = lambda done: None) -> Flown:
    """Return `count` flights, the same for the same seed. `heard` is told how many are done and may raise to end it."""
    blocks = [BLOCK] * (count // BLOCK) + ([count % BLOCK] if count % BLOCK else [])
    parts, done = [], 0
    for block, own in zip(blocks, np.random.SeedSequence(seed).spawn(len(blocks)), strict=True):
        parts.append(_block(question, block, np.random.default_rng(own), partial(_told, heard, done, block)))
        done += block
    heard(count)
    return _joined(parts)


def _told(heard: Progress, done: int, block: int, share: float) -> None:
    heard(done + int(share * block))


def _block(question: Question, count: int, random: np.random.Generator, heard: Callable[[float], None]) -> Flown:
    lot = drawn(question.nominal, question.sigmas, count, random, question.any_direction)
    ascents = climb(lot, random, lambda share: heard(_SHARE_UP * share))
    canopies = _cases(question, ascents, count, random)
    ground, rate = {NONE: ascents.ground_m}, {}
    for place, (case, opening) in enumerate(canopies.items()):
        part = (1.0 - _SHARE_UP) / len(canopies)
        further = partial(_further, heard, _SHARE_UP + place * part, part)
        ground[case], rate[case] = descend(lot, ascents, opening, random, further)
    opened_s = canopies[NOMINAL].at_s if NOMINAL in canopies else ascents.ground_s
    control = None if question.gate is None else control_s(ascents, question.gate, opened_s)
    return Flown(
        exit_speed_m_s=ascents.exit_speed_m_s,
        exit_attack_rad=ascents.exit_attack_rad,
        lean_rad=ascents.lean_rad,
        apogee_m=ascents.apogee_m,
        apogee_s=ascents.apogee_s,
        fastest_m_s=ascents.fastest_m_s,
        control_s=control,
        ground_m=ground,
        rate_m_s=rate,
    )


def _further(heard: Callable[[float], None], begun: float, part: float, share: float) -> None:
    heard(begun + part * share)


def _cases(question: Question, ascents: Ascents, count: int, random: np.random.Generator) -> dict[str, Canopies]:
    """Return what opens in each case that the sheet tells enough for."""
    way, one = question.way, np.ones(count)
    spread = np.maximum(1.0 + question.sigmas.descent_area * random.standard_normal(count), 0.2)
    top = np.where(ascents.left, ascents.apogee_s, 0.0)
    begun = np.where(ascents.left, ascents.exit_s, 0.0)
    after = top + np.maximum(way.after_s + way.after_sigma_s * random.standard_normal(count), 0.0)
    early = np.maximum(top - random.uniform(*EARLY_S, count), begun)
    late = top + random.uniform(*LATE_S, count)
    times = {NOMINAL: after, EARLY: early, LATE: late, ONE: after}
    found = {}
    for case, at_s in times.items():
        open_m2 = way.one_m2 if case == ONE else way.both_m2
        if open_m2 is not None:
            found[case] = Canopies(at_s, way.closed_m2 * one, open_m2 * spread, way.opening_s * one)
    return found


def control_s(ascents: Ascents, gate: Gate, until_s: Floats) -> Floats:
    """Return how long height and speed both meet the gate before what ends it, in s, (n,).

    Between the moments kept, height and speed go in straight lines; the first begins at the rail's end.
    """
    t, course = ascents.t, ascents.course
    speed = np.sqrt((course[:, 3:] ** 2).sum(axis=1))
    span = np.clip(np.minimum(t[1:], until_s) - t[:-1], 0.0, None)
    short = np.minimum(course[:, 2] - gate.altitude_m, 0.0), np.minimum(speed - gate.speed_m_s, 0.0)
    over = course[:, 2] - gate.altitude_m, speed - gate.speed_m_s
    share = np.ones_like(span)
    for less, more in zip(short, over, strict=True):
        crossed = (more[1:] >= 0.0) != (more[:-1] >= 0.0)
        above = np.maximum(more[1:], more[:-1])
        part = above / np.maximum(above - np.minimum(less[1:], less[:-1]), 1e-12)
        share = np.minimum(share, np.where(crossed, part, (more[1:] >= 0.0).astype(np.float64)))
    found: Floats = np.where(ascents.left, (share * span).sum(axis=0), np.nan)
    return found


def _joined(parts: list[Flown]) -> Flown:
    def all_of(pick: Callable[[Flown], Floats]) -> Floats:
        return np.concatenate([pick(part) for part in parts], axis=-1)

    first = parts[0]
    return Flown(
        exit_speed_m_s=all_of(lambda one: one.exit_speed_m_s),
        exit_attack_rad=all_of(lambda one: one.exit_attack_rad),
        lean_rad=all_of(lambda one: one.lean_rad),
        apogee_m=all_of(lambda one: one.apogee_m),
        apogee_s=all_of(lambda one: one.apogee_s),
        fastest_m_s=all_of(lambda one: one.fastest_m_s),
        control_s=None
        if first.control_s is None
        else np.concatenate([p.control_s for p in parts if p.control_s is not None]),
        ground_m={case: np.concatenate([part.ground_m[case] for part in parts], axis=-1) for case in first.ground_m},
        rate_m_s={case: np.concatenate([part.rate_m_s[case] for part in parts]) for case in first.rate_m_s},
    )
