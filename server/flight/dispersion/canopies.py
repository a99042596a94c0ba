"""The way down of many flights from the moment something opens: a mass under its drag area in the wind.

The whole vehicle is one point; what opens grows as time cubed until it is open. Terminal speed follows
1/2 rho CdA v^2 = m g (tests/SOURCES.md, terminal-speed). Within a step the drag is taken as linear in the speed through the
air, for which the step is exact, so that a canopy that opens at speed needs no small ones. Canopies that glide or swing,
and the two bodies on their cord, are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.dispersion.ascent import Ascents, Heard
from server.flight.dispersion.lot import Lot
from server.flight.dispersion.winds import Eddies

STEP_S = 0.05
LONGEST_S = 1800.0


@dataclass(frozen=True)
class Canopies:
    """What opens and when: s from ignition, drag areas closed and open in m2, s until it is open; each (n,)."""

    at_s: Floats
    closed_m2: Floats
    open_m2: Floats
    opening_s: Floats


def at_times(ascents: Ascents, t_s: Floats) -> Floats:
    """Return place and velocity at one time of each flight between the moments kept, shape (6, n)."""
    t, course = ascents.t, ascents.course
    n = t.shape[1]
    after = np.clip((t < t_s).sum(axis=0), 1, len(t) - 1)
    one = np.arange(n)
    t0, t1 = t[after - 1, one], t[after, one]
    h = np.maximum(t1 - t0, 1e-9)
    share = np.clip((t_s - t0) / h, 0.0, 1.0)
    start, stop = course[after - 1, :, one].T, course[after, :, one].T
    between = start + share * (stop - start)
    # Place by the cubic that has both velocities (Hermite), so that the moments can lie apart.
    a, b = share * share * (3.0 - 2.0 * share), share * (1.0 - share)
    bent = h * b * ((1.0 - share) * start[3:] - share * stop[3:])
    return np.concatenate([start[:3] + a * (stop[:3] - start[:3]) + bent, between[3:]])


def descend(
    lot: Lot, ascents: Ascents, canopies: Canopies, random: np.random.Generator, heard: Heard = lambda share: None
) -> tuple[Floats, Floats]:
    """Return where each flight comes down (2, n), m east and north of the pad, and its rate of descent there in m/s (n,).

    NaN for one that never left its rail. One that met the ground before the opening lies where it fell.
    """
    state = at_times(ascents, canopies.at_s)
    place, velocity = state[:3], state[3:]
    eddies = Eddies(lot.winds, random)
    ground, rate = np.full((2, lot.count), np.nan), np.full(lot.count, np.nan)
    is_early = canopies.at_s < ascents.ground_s
    down = ~ascents.left | ~is_early
    ground = np.where(ascents.left & ~is_early, ascents.ground_m, ground)
    most_s, t = float(np.nanmax(np.where(down, 0.0, place[2]), initial=0.0)) / 4.0 + 10.0, 0.0
    steps = 0
    while not down.all() and t < LONGEST_S:
        wind = eddies.now.copy()
        wind[:2] += lot.winds.steady(place[2])
        share = np.minimum(1.0, (t + 0.5 * STEP_S) / canopies.opening_s)
        area = canopies.closed_m2 + (canopies.open_m2 - canopies.closed_m2) * share**3
        before = place
        place, velocity, airspeed = _stepped(lot, place, velocity, wind, area)
        eddies.step(STEP_S, airspeed)
        t += STEP_S
        lands = ~down & (place[2] <= 0.0) & (velocity[2] < 0.0)
        if lands.any():
            part = before[2] / np.where(lands, before[2] - place[2], 1.0)
            ground = np.where(lands, before[:2] + part * (place[:2] - before[:2]), ground)
            rate = np.where(lands, -velocity[2], rate)
            down = down | lands
        steps += 1
        if steps % 20 == 0:
            heard(min(0.98, t / most_s))
    heard(1.0)
    return ground, rate


def _stepped(lot: Lot, place: Floats, velocity: Floats, wind: Floats, area_m2: Floats) -> tuple[Floats, Floats, Floats]:
    """Return place, velocity and air speed after a step; the drag's rate is that of its middle, found in a second round."""
    mass, half_density = lot.dry_mass_kg, 0.5 * lot.density(place[2])
    air = velocity - wind
    speed = np.sqrt((air * air).sum(axis=0))
    fall = np.array([[0.0], [0.0], [-GRAVITY_M_S2]])
    middle = speed
    for _ in range(2):
        rate = np.maximum(half_density * area_m2 * middle / mass, 1e-9)
        keep = np.exp(-rate * STEP_S)
        later = keep * air + (1.0 - keep) / rate * fall
        middle = 0.5 * (speed + np.sqrt((later * later).sum(axis=0)))
    # The way of v' = fall - rate v over the step, exact.
    through = (air - later + fall * STEP_S) / rate
    return place + through + wind * STEP_S, later + wind, middle
