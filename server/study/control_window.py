"""The window of a flight in which fins can be asked what they did, as `flight/effectiveness` takes it."""

from __future__ import annotations

from dataclasses import dataclass
from math import radians

import numpy as np

from protocol.arrays import Floats
from server.analysis.flight_log import Window
from server.analysis.judgements.air import pad_air
from server.analysis.judgements.case import Case
from server.analysis.judgements.control import (
    AFTER_RAIL_S,
    UNKNOWN_SHARE,
    UNKNOWN_WIND_M_S,
    end_of_flight,
    fins_of,
    fins_until,
)
from server.analysis.roles import BODY_RATE, QUATERNION, VELOCITY
from server.flight.control.roll_authority import pressure_share
from server.flight.effectiveness.axis_fit import USUAL_GYROSCOPIC, Heard
from server.flight.effectiveness.modes import even_places, mixing

AFTER_BURNOUT_S = 0.1
# Of the greatest dynamic pressure: with less the fins turn little and the angles to the air are no longer small. Our choice.
LEAST_PRESSURE_SHARE = {"roll": 0.02, "pitch": 0.06, "yaw": 0.06}
REST_S, QUIET_S = 20.0, 1.0  # before lift-off: where the fins rest, and what is left out before it
FEWEST_AT_REST = 20


@dataclass(frozen=True)
class Controlled:
    """What was heard of a flight, to be cut for each axis: angles of fins (m, n) and where these stand (n,), rad."""

    case: Case
    start_s: float
    end_s: float
    fin_t: Floats
    angles: Floats
    places_rad: Floats
    is_commanded: bool
    scatter: Floats | None
    state: Window
    pressure: Floats
    controlled_s: float | None
    share: float
    kicks: tuple[tuple[float, float], ...] = ()

    def heard(self, axis: str, each: bool = False) -> Heard:
        """Return what one axis rests on: `each` by single fins, else by modes."""
        coasts = self.case.coasts_s
        start_s = self.start_s if axis == "roll" or coasts is None else max(self.start_s, coasts + AFTER_BURNOUT_S)
        state, pressure = self.state, self.pressure
        known = np.isfinite(pressure)
        flows = known & (pressure >= LEAST_PRESSURE_SHARE[axis] * pressure[known].max(initial=0.0))
        end_s = min(self.end_s, float(state.t[flows].max())) if flows.any() else self.end_s
        inside = (self.fin_t >= start_s) & (self.fin_t <= end_s)
        mix = np.eye(self.angles.shape[1]) if each else mixing(self.places_rad)
        return Heard(
            rates=self._rates(start_s, end_s),
            fins=(self.fin_t[inside], self.angles[inside] @ mix),
            pressure=(state.t, pressure),
            motion=self._motion(start_s, end_s),
            is_commanded=self.is_commanded,
            burnout_s=coasts,
            fin_noise=None if self.scatter is None else mix.T @ self.scatter @ mix,
            gyroscopic=self._gyroscopic(),
            kicks=tuple(one for one in self.kicks if start_s < one[0] < end_s),
        )

    def _rates(self, start_s: float, end_s: float) -> list[tuple[Floats, Floats]]:
        """Return the body rates of the state vector and of each inertial unit, whole rows only."""
        sources = [
            ("state", BODY_RATE),
            *((f"unit_{unit}", tuple(f"gyro.{unit}.{axis}" for axis in "xyz")) for unit in "ab"),
        ]
        out = []
        for series, names in sources:
            window = self.case.window(series, start_s, end_s)
            values = window.stack(*names)
            whole = np.isfinite(values).all(axis=1)
            if whole.any():
                out.append((window.t[whole], values[whole]))
        return out

    def _motion(self, start_s: float, end_s: float) -> tuple[Floats, Floats, Floats, Floats] | None:
        state = self.state
        velocity, quaternion = state.stack(*VELOCITY), state.stack(*QUATERNION)
        size = np.sqrt((quaternion * quaternion).sum(axis=1))
        good = (state.t >= start_s) & (state.t <= end_s) & np.isfinite(velocity).all(axis=1) & (np.abs(size - 1.0) < 0.2)
        if good.sum() < 4:
            return None
        t, first = np.unique(state.t[good], return_index=True)
        velocity = velocity[good][first]
        east, north, up = world_in_body(quaternion[good][first] / size[good][first][:, None])
        seen = velocity[:, :1] * east + velocity[:, 1:2] * north + velocity[:, 2:] * up
        return t, seen, east, north

    def _gyroscopic(self) -> float:
        facts = self.case.facts
        if facts.roll_inertia_kg_m2 is None or facts.lateral_inertia_kg_m2 is None:
            return USUAL_GYROSCOPIC
        return 1.0 - facts.roll_inertia_kg_m2 / facts.lateral_inertia_kg_m2


def world_in_body(quaternion: Floats) -> tuple[Floats, Floats, Floats]:
    """Return east, north and up in body axes for unit quaternions w, x, y, z of shape (n, 4): the rows of the rotation."""
    w, x, y, z = quaternion.T
    east = np.stack([w * w + x * x - y * y - z * z, 2.0 * (x * y - w * z), 2.0 * (x * z + w * y)], axis=1)
    north = np.stack([2.0 * (x * y + w * z), w * w - x * x + y * y - z * z, 2.0 * (y * z - w * x)], axis=1)
    up = np.stack([2.0 * (x * z - w * y), 2.0 * (y * z + w * x), w * w - x * x - y * y + z * z], axis=1)
    return east, north, up


def controlled_flight(case: Case) -> Controlled | str:
    """Return what was heard between the rail and the end of the flight as one body, or why that is not enough."""
    start_s, end_s = case.t_of("rail_exit") or case.t_of("lift_off"), end_of_flight(case)
    if start_s is None or end_s is None:
        return "No lift-off with an end of the climb is in this recording."
    start_s, end_s = start_s + AFTER_RAIL_S, fins_until(case, end_s)
    fins, fitted, _ = fins_of(case, start_s, end_s)
    state = case.window("state", start_s, end_s)
    if not fitted:
        return "No fin angle was heard in flight, neither measured nor commanded."
    velocity = state.stack(*VELOCITY)
    if np.isfinite(velocity).all(axis=1).sum() < 4:
        return "The vehicle's velocity was not heard, so the pressure of the air on the fins is not known."
    speed2 = (velocity * velocity).sum(axis=1)
    pressure = 0.5 * pad_air(case).density_at(state["position.up"]) * speed2
    measured = case.window("fins", start_s, end_s)
    is_commanded = not any(np.isfinite(column).any() for column in measured.columns.values())
    told = case.facts.fin_places_deg
    places = even_places(len(fitted)) if told is None or len(told) != len(fitted) else np.radians(told)
    moment = case.moments.get("control_enabled")
    return Controlled(
        case, start_s, end_s, fins.t, np.stack(fitted, axis=1), places, is_commanded,
        None if is_commanded else _scatter(case, len(fitted)), state, pressure,
        None if moment is None else moment[0], _pressure_share(case, state, speed2),
    )  # fmt: skip


def _scatter(case: Case, count: int) -> Floats | None:
    """Return the covariance of the fins' samples while they rest on the pad, (n, n) rad2; None where that is not heard."""
    lift_off = case.t_of("lift_off")
    if lift_off is None:
        return None
    fins, fitted, _ = fins_of(case, lift_off - REST_S, lift_off - QUIET_S)
    if len(fitted) != count:
        return None
    angles = np.stack(fitted, axis=1)[np.argsort(fins.t)]
    steps = np.diff(angles[np.isfinite(angles).all(axis=1)], axis=0)
    still = steps[(np.abs(steps) < radians(0.5)).all(axis=1)]
    return None if len(still) < FEWEST_AT_REST else still.T @ still / (2.0 * len(still))


def _pressure_share(case: Case, state: Window, speed2: Floats) -> float:
    """Return one sigma of the pressure's share for wind: it blows level, so of it only what lies along the path counts."""
    speed = np.sqrt(speed2)
    level = np.hypot(state["velocity.east"], state["velocity.north"]) / np.maximum(speed, 1.0)
    good = np.isfinite(speed) & (speed2 > LEAST_PRESSURE_SHARE["roll"] * np.nanmax(speed2))
    controlled = case.moments.get("control_enabled")
    if controlled is not None and (good & (state.t >= controlled[0])).any():
        good &= state.t >= controlled[0]
    if not good.any():
        return UNKNOWN_SHARE
    wind = max(UNKNOWN_WIND_M_S, case.facts.wind_m_s or 0.0)
    return min(UNKNOWN_SHARE, pressure_share(wind * float(np.median(level[good])), float(np.median(speed[good]))))
