"""Height and climb on the way up together with what the instruments get wrong, as one estimate.

A Kalman filter (any estimation textbook; the errors of instruments as further states are Schmidt's) of

    height, climb rate            over the pad, driven by the force that is felt, corrected by the barometer
    bias, share                   of the force: what the pad did not show; a wrong scale and the lean of a path that nobody
                                  tells, which make the upright force smaller than the one along the nose
    port, lag, stretch            of the barometer: it reads h (1 + stretch) + port v^2 / 2g - lag v
    drag                          the logarithm of kappa (1/m, at pad density, at low speed): the coast without a force

so that the force's integral and the barometer tell port, lag and share as far as they differ, and no further: what the
flight does not carry stays as wide as it was. The priors are common practice, no source. Drag learned from the force is
not learned here but in `DragByMach`: a force that is all drag says nothing of the speed while the drag is unknown, and a
filter that lets it speak bends the speed by a prior. A height beyond `GATE` counts for as much less as puts it there.
Where no force is heard the drag carries the coast, in closed form for any step, so that no gap makes it run away.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, log, sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.air.atmosphere import SEA_LEVEL_TEMPERATURE_K
from server.flight.motion.drag_curve import USUAL, Shape
from server.flight.motion.drag_rise import DENSITY_HEIGHT_M, mach_at

H, V, BIAS, SHARE, PORT, LAG, STRETCH, DRAG = range(8)
COUNT = 8

PORT_SIGMA = 0.035  # of the dynamic pressure
PORT_WALK, SHOCK_WALK = 0.03, 0.1  # of it per root of a Mach number, subsonic and while shocks pass the port
LAG_S, LAG_SIGMA_S = 0.08, 0.08
SCALE_SIGMA = 0.012
LEAN_SHARE, LEAN_SIGMA, LEAN_WALK = 0.012, 0.015, 0.006  # 1 - cos of a lean of 9 degrees; per root of a second
STRETCH_SIGMA, TOLD_STRETCH_SIGMA = 0.035, 0.006  # air 10 K from standard; a told temperature 2 K off
BAROMETER_M, PORT_SCATTER, SHOCK_SCATTER, LAG_SCATTER = 0.6, 0.003, 0.02, 0.02
SHOCK_MACH = (0.8, 1.25)
VIBRATION_M_S2 = 1.0  # white over one 25 Hz period
UNKNOWN_M_S2, UNKNOWN_SHARE, UNKNOWN_MEMORY_S = 30.0, 0.4, 0.5  # beside a force held on, of it, and for how long
COASTING_M_S2 = 1.0
LONGEST_LINE_S = 2.0
HELD_S = 0.25  # a force older than this is no longer believed
LASTING_S = 0.2  # errors of one sample that last longer than it do not average out with the rate
GAP_SHARE = 0.05
GATE = 4.0
LOST_AT, LOST_MEMORY_S = 2.0, 1.0  # mean square of what was read over what was believed
CLIPPED_SHARE = 0.3  # what is beyond the sensor's end, of what it says there
FASTEST_M_S, HIGHEST_M = 2500.0, 60_000.0  # beyond, the filter has lost its way: nothing here flies there
USUAL_DRAG_G, USUAL_DRAG_SPREAD = 1.5, 1.2  # drag at burnout over weight, and the sigma of its logarithm
LEAST_LOG, MOST_LOG = log(1e-6), log(0.1)


@dataclass(frozen=True, slots=True)
class Before:
    """What is known before the flight: the accelerometer's bias is already off its forces (its sigma m/s2 here).

    `kappa` is (1/m, sigma of its logarithm), None where the sheet does not tell the vehicle's size and mass.
    """

    bias_sigma_m_s2: float
    has_attitude: bool
    kappa: tuple[float, float] | None = None
    air_told: bool = False
    pad_temperature_k: float = SEA_LEVEL_TEMPERATURE_K
    shape: Shape = USUAL


class WayUp:
    """INCREMENTAL: starts at rest on the pad; takes forces and heights in ascending time, until the top.

    `x` and `p` hold the estimate (order of the module's names) and its covariance at `time_s`; what is older is left out.
    """

    def __init__(self, before: Before, time_s: float, height_m: float) -> None:
        """Begin at rest at a height over the pad (m)."""
        self._before = before
        self.time_s, self._pad_temperature_k = time_s, before.pad_temperature_k
        share, share_sigma = (0.0, SCALE_SIGMA) if before.has_attitude else (LEAN_SHARE, hypot(LEAN_SIGMA, SCALE_SIGMA))
        self._share_walk = 0.0 if before.has_attitude else LEAN_WALK
        kappa, spread = before.kappa or (1e-3, 1.0)
        self._drag_told = before.kappa is not None
        stretch = TOLD_STRETCH_SIGMA if before.air_told else STRETCH_SIGMA
        self.x: Floats = np.array([height_m, 0.0, 0.0, share, 0.0, LAG_S, 0.0, log(kappa)])
        sigma = [0.5, 0.1, before.bias_sigma_m_s2, share_sigma, PORT_SIGMA, LAG_SIGMA_S, stretch, spread]
        self.p: Floats = np.diag(np.square(sigma))
        self._force: tuple[float, float] | None = None  # when, and what upright force was felt
        self._baro_s = -1e9
        self._clipped_m_s = 0.0
        self._coasts_from_s = 1e18
        self._surprise = 1.0

    @property
    def is_lost(self) -> bool:
        """Whether force and barometer part by more than both may be wrong, or it is where nothing flies."""
        h, v = float(self.x[H]), float(self.x[V])
        return not (self._surprise < LOST_AT and abs(v) < FASTEST_M_S and abs(h) < HIGHEST_M)

    @property
    def mach(self) -> float:
        """The Mach number of the climb."""
        return mach_at(float(self.x[V]), float(self.x[H]), self._pad_temperature_k)

    def coasts(self, from_s: float) -> None:
        """Say from when on nothing burns. Without a sheet the drag is then about the weight: what flies is built so."""
        self._coasts_from_s = min(self._coasts_from_s, from_s)
        speed = float(self.x[V])
        if not self._drag_told and speed > 1.0:
            self.know_drag(USUAL_DRAG_G * GRAVITY_M_S2 / (speed * speed) / self._thin_and_rise(), USUAL_DRAG_SPREAD)

    def burns(self) -> None:
        """Say that a motor lit again: the drag is as unknown as it was before the flight, as a booster may have gone."""
        self._coasts_from_s = 1e18
        kappa, spread = self._before.kappa or (1e-3, 1.0)
        self.know_drag(kappa, spread)
        self._drag_told = self._before.kappa is not None

    def know_drag(self, kappa_1_m: float, spread: float) -> None:
        """Take kappa (1/m, at low speed) and the sigma of its logarithm as the forces have them."""
        self._drag_told = True
        self.x[DRAG] = min(max(LEAST_LOG, log(max(kappa_1_m, 1e-12))), MOST_LOG)
        self.p[DRAG, :] = self.p[:, DRAG] = 0.0
        self.p[DRAG, DRAG] = spread * spread

    def force(self, t_s: float, up_m_s2: float, clipped: bool = False) -> None:
        """Take the upright part of the specific force (m/s2), the pad's bias already off."""
        if t_s < self.time_s or (self._force is not None and t_s <= self._force[0]):
            return
        before = self.time_s
        self._to(t_s, up_m_s2)
        self._force = (t_s, up_m_s2)
        if clipped:
            more = self._clipped_m_s + CLIPPED_SHARE * abs(up_m_s2) * (t_s - before)
            self._doubt_climb(more * more - self._clipped_m_s**2, t_s - before)
            self._clipped_m_s = more

    def height(self, t_s: float, height_m: float) -> None:
        """Take one height over the pad by the barometer alone (m)."""
        if t_s < self.time_s or t_s <= self._baro_s:
            return
        self._predict(t_s)
        x, v = self.x, float(self.x[V])
        flow = v * v / (2.0 * GRAVITY_M_S2)
        scatter = (SHOCK_SCATTER if self._may_be_in_shocks() else PORT_SCATTER) * flow
        felt = abs(self._force[1] - GRAVITY_M_S2) if self._force is not None and t_s - self._force[0] < HELD_S else 0.0
        row = np.zeros(COUNT)
        row[H], row[V] = 1.0 + float(x[STRETCH]), float(x[PORT]) * v / GRAVITY_M_S2 - float(x[LAG])
        row[PORT], row[LAG], row[STRETCH] = flow, -v, float(x[H])
        read = float(x[H]) * (1.0 + float(x[STRETCH])) + float(x[PORT]) * flow - float(x[LAG]) * v
        variance = BAROMETER_M**2 + scatter * scatter + (LAG_SCATTER * felt) ** 2
        passed = t_s - self._baro_s
        self._baro_s = t_s
        self._update(row, height_m - read, variance * max(1.0, LASTING_S / passed), min(passed, LOST_MEMORY_S))

    # ------------------------------------------------------------ the steps

    def _to(self, t_s: float, up: float) -> None:
        """Go to a new force along the straight line from the one before."""
        if self._force is None:
            self._predict(t_s, up)
            return
        last_s, last = self._force
        span, passed, change = t_s - last_s, self.time_s - last_s, up - last
        if passed > HELD_S or span > LONGEST_LINE_S:
            self._predict(t_s)
            return
        wrong = change * passed * passed / (2.0 * span)  # steps in between, to barometer samples, held the force before
        self.x[V] += wrong
        self.x[H] += wrong * passed / 3.0
        self._predict(t_s, last + change * (1.0 + passed / span) / 2.0)
        doubt = 0.29 * abs(change) * span + (GAP_SHARE * (abs(up) + abs(last)) * span if span > HELD_S else 0.0)
        self._doubt_climb(doubt * doubt, span)

    def _doubt_climb(self, variance: float, span_s: float) -> None:
        self.p[V, V] += variance
        self.p[H, V] += 0.5 * span_s * variance
        self.p[V, H] = self.p[H, V]
        self.p[H, H] += 0.25 * span_s * span_s * variance

    def _may_be_in_shocks(self) -> bool:
        """Return whether shocks may pass the port, for all that is known of the climb."""
        doubt = 2.0 * sqrt(max(float(self.p[V, V]), 0.0)) / max(float(self.x[V]), 1.0)
        return self.mach * (1.0 + doubt) > SHOCK_MACH[0] and self.mach * (1.0 - doubt) < SHOCK_MACH[1]

    def _thin_and_rise(self) -> float:
        """Return kappa here over kappa at low speed at the pad."""
        thin = exp(-min(max(float(self.x[H]), -1000.0), HIGHEST_M) / DENSITY_HEIGHT_M)
        return thin * self._before.shape.factor(self.mach)

    def _predict(self, t_s: float, up: float | None = None) -> None:
        dt = t_s - self.time_s
        if dt <= 0.0:
            return
        x, p, mach = self.x, self.p, self.mach
        if up is None and self._force is not None and t_s - self._force[0] <= HELD_S:
            up = self._force[1]
        step = np.eye(COUNT)
        v0 = float(x[V])
        if up is not None:
            v1 = v0 + (up * (1.0 - float(x[SHARE])) - float(x[BIAS]) - GRAVITY_M_S2) * dt
            step[V, BIAS], step[V, SHARE] = -dt, -up * dt
            noise = VIBRATION_M_S2**2 * 0.04 * dt
        elif t_s >= self._coasts_from_s:
            # Drag by the implicit step v1 = v0 - k |v1| v1 dt - g dt: it slows and never turns, for any k and dt.
            k = exp(float(x[DRAG])) * self._thin_and_rise()
            free = v0 - GRAVITY_M_S2 * dt
            v1 = 2.0 * free / (1.0 + sqrt(1.0 + 4.0 * k * dt * abs(free)))
            step[V, V] = 1.0 / (1.0 + 2.0 * k * dt * abs(v1))
            step[V, DRAG] = -k * abs(v1) * v1 * dt * float(step[V, V])
            noise = (COASTING_M_S2 * dt) ** 2
        else:
            held = GRAVITY_M_S2 if self._force is None else self._force[1]
            v1 = v0 + (held - GRAVITY_M_S2) * dt
            noise = (UNKNOWN_M_S2 + UNKNOWN_SHARE * abs(held)) ** 2 * dt * max(dt, UNKNOWN_MEMORY_S)
        x[H] += 0.5 * (v0 + v1) * dt
        x[V] = v1
        step[H] = 0.5 * dt * step[V]
        step[H, H] = 1.0
        step[H, V] += 0.5 * dt
        self.p = p = step @ p @ step.T
        self._doubt_climb(noise, dt)
        self.p[SHARE, SHARE] += self._share_walk**2 * dt
        walk = SHOCK_WALK if self._may_be_in_shocks() else PORT_WALK
        self.p[PORT, PORT] += walk * walk * abs(self.mach - mach)
        self.time_s = t_s

    def _update(self, row: Floats, innovation: float, variance: float, passed_s: float) -> None:
        reach = self.p @ row
        own = float(row @ reach) + variance
        square = innovation * innovation / own
        keep = exp(-passed_s / LOST_MEMORY_S)
        self._surprise = keep * self._surprise + (1.0 - keep) * min(square, 100.0)
        gain = reach / max(own, innovation * innovation / (GATE * GATE))
        self.x += gain * innovation
        self.p -= np.outer(gain, reach)
        self.x[DRAG] = min(max(LEAST_LOG, float(self.x[DRAG])), MOST_LOG)


def is_number(first: float, second: float, third: float = 0.0) -> bool:
    """Return whether all are finite and of a size that a float carries squared."""
    return -1e9 < first < 1e9 and -1e9 < second < 1e9 and -1e9 < third < 1e9  # false for NaN, and for what has no end
