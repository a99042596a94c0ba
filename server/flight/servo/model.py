"""A servo and its linkage as a few numbers, simulated for many sets of them at once.

The horn follows the command `dead_s` later with a lag (first order, or second order of damping zeta), never faster than
its rate; the fin follows the horn with a ratio and an offset as soon as the play is taken up:

    horn' = (command - horn) / lag                                  first order
    horn'' = w^2 (command - horn) - 2 zeta w horn',  w = 2 zeta / lag    second order; its mean delay is `lag` as well
    fin: stays where it is within ratio horn + offset -+ play / 2   (a backlash hysteresis)

Each step is exact for a command that is constant over it (any textbook on sampled systems); the command's mean over the
step is used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from server.flight.servo.drive import Drive

# Places of the numbers in a vector: angles in rad, times in s; lag, rate (rad/s) and zeta as natural logarithms.
RATIO, OFFSET, PLAY, DEAD, LOG_LAG, LOG_RATE, LOG_ZETA = range(7)
NAMES = ("ratio", "offset", "play", "dead_s", "lag_s", "rate", "zeta")
FIRST_ORDER_ZETA = np.log(1e3)  # stands for no second pole


@dataclass(frozen=True, slots=True)
class Simulated:
    """For each of P sets: the fin (rad) at the times looked at, shape (n, P), and the horn at each cell's end, (T, P)."""

    fin: Floats
    horn: Floats


def simulate(drive: Drive, numbers: Floats, nuisance: Floats, second_order: bool) -> Simulated:
    """Simulate P sets: `numbers` of shape (7, P), `nuisance` of shape (m, P)."""
    sets = numbers.shape[1]
    command = np.empty((len(drive.cells), sets))
    for place in range(sets):
        command[:, place] = commands(drive, nuisance[:, place], float(numbers[DEAD, place]))
    horn = (_second if second_order else _first)(drive, command, numbers)
    fin = _linkage(drive, horn, numbers)
    end = drive.cells + drive.dt
    after = np.clip(np.searchsorted(end, drive.at), 1, len(end) - 1)
    # Beyond a quiet time left out, the fin stands as it stood.
    share = np.clip((drive.at - end[after - 1]) / drive.dt, 0.0, 1.0)[:, None]
    return Simulated(fin[after - 1] + share * (fin[after] - fin[after - 1]), horn)


def commands(drive: Drive, nuisance: Floats, dead_s: float) -> Floats:
    """Return the mean command over each cell as the servo hears it, shape (T,)."""
    begin = drive.integral(nuisance, drive.cells, dead_s)
    end = drive.integral(nuisance, drive.cells + drive.dt, dead_s)
    mean: Floats = (end - begin) / drive.dt
    return mean


def _first(drive: Drive, command: Floats, numbers: Floats) -> Floats:
    share = 1.0 - np.exp(-drive.dt / np.exp(numbers[LOG_LAG]))
    most = np.exp(numbers[LOG_RATE]) * drive.dt
    least = -most
    horn = np.empty_like(command)
    x, move = command[0].copy(), np.empty(command.shape[1])
    starts = set(drive.starts.tolist())
    for k in range(len(command)):
        if k in starts:
            x[:] = command[k]
        np.subtract(command[k], x, out=move)
        move *= share
        np.minimum(move, most, out=move)
        np.maximum(move, least, out=move)
        x += move
        horn[k] = x
    return horn


def _second(drive: Drive, command: Floats, numbers: Floats) -> Floats:
    zeta, lag = np.exp(numbers[LOG_ZETA]), np.exp(numbers[LOG_LAG])
    rate = np.exp(numbers[LOG_RATE])
    (a, b), (c, d) = _transition(2.0 * zeta / lag, zeta, drive.dt)
    most = rate * drive.dt
    horn = np.empty_like(command)
    x, v = command[0].copy(), np.zeros(command.shape[1])
    starts = set(drive.starts.tolist())
    for k in range(len(command)):
        if k in starts:
            x[:], v[:] = command[k], 0.0
        apart = x - command[k]
        wanted = a * apart + b * v + command[k] - x
        v = np.maximum(np.minimum(c * apart + d * v, rate), -rate)
        x = x + np.maximum(np.minimum(wanted, most), -most)
        horn[k] = x
    return horn


def _transition(w: Floats, zeta: Floats, dt: float) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Return the exact transition of (x - command, v) over dt: rows (a, b), (c, d)."""
    root = np.sqrt((zeta**2 - 1.0).astype(complex)) * w
    root = np.where(np.abs(root) < 1e-6, 1e-6, root)
    decay = np.exp(-zeta * w * dt)
    cosh, sinh = np.cosh(root * dt), np.sinh(root * dt) / root
    a = (decay * (cosh + zeta * w * sinh)).real
    b = (decay * sinh).real
    d = (decay * (cosh - zeta * w * sinh)).real
    return (a, b), (-(w**2) * b, d)


def _linkage(drive: Drive, horn: Floats, numbers: Floats) -> Floats:
    """Return the fin at each cell's end: it stays until the horn has taken up the slack."""
    driven = numbers[RATIO] * horn + numbers[OFFSET]
    half = np.maximum(numbers[PLAY], 0.0) / 2.0
    low, high = driven - half, driven + half
    fin = np.empty_like(horn)
    y = np.empty(horn.shape[1])
    starts = dict(zip(drive.starts.tolist(), drive.first.tolist(), strict=True))
    for k in range(len(horn)):
        if k in starts:
            y[:] = starts[k]
        np.maximum(y, low[k], out=y)
        np.minimum(y, high[k], out=y)
        fin[k] = y
    return fin
