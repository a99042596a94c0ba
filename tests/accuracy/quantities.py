"""Every quantity the station computes of a flight, with the simulated vehicle's truth beside it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from math import pi

import numpy as np

from server.analysis.pipeline import Output
from tests.accuracy.forecasts import foretold
from tests.accuracy.random_flights import Flown
from tests.server.flights import FACTS

DEG = 180.0 / pi


@dataclass(frozen=True)
class Seen:
    """A flight and what the station made of it."""

    flight: Flown
    output: Output

    @cached_property
    def figures(self) -> Mapping[str, Mapping[str, object]]:
        """Last state of every figure."""
        return {entry.key: entry.body for entry in self.output.entries if entry.topic == "figure"}

    @cached_property
    def moments(self) -> Mapping[str, Mapping[str, object]]:
        """First entry of every moment that began."""
        found: dict[str, Mapping[str, object]] = {}
        for entry in self.output.entries:
            if entry.topic == "moment" and entry.body.get("on", True):
                found.setdefault(entry.key, entry.body)
        return found

    def figure(self, key: str, name: str) -> float | None:
        """Return a number of a figure, or None."""
        value = self.figures.get(key, {}).get(name)
        return float(value) if isinstance(value, int | float) and value == value else None

    def moment(self, key: str, name: str = "t") -> float | None:
        """Return a number of a moment, or None."""
        return self.moments[key][name] if key in self.moments else None

    def true(self, name: str) -> float:
        """Return a number of the truth."""
        return self.flight.truth[name]

    def path_at(self, name: str, t: np.ndarray) -> np.ndarray:
        """Return a column of the true path at some times."""
        path = self.flight.path
        return np.interp(t, path["t_s"], path[name])


@dataclass(frozen=True)
class Quantity:
    """A name, a unit for errors, the error (computed minus true, or None when it cannot be told), and the promise."""

    name: str
    unit: str
    error: Callable[[Seen], float | None]
    bound: float | None = None


def _difference(told: float | None, true: float | None, scale: float = 1.0) -> float | None:
    return None if told is None or true is None else (told - true) * scale


def _share(told: float | None, true: float | None) -> float | None:
    return None if told is None or not true else (told / true - 1.0) * 100.0


def worst_tilt_deg(seen: Seen) -> float | None:
    """Return the error of tilt that 95 % of the frames between rail exit and apogee stay within, degrees."""
    if "saturated" in seen.figures:  # a gyro at the end of its range: the station says itself that attitude is lost
        return None
    rows = seen.output.rows["ground_motion"]
    chosen = (rows.t > seen.true("rail_exit_s")) & (rows.t < seen.true("apogee_s")) & np.isfinite(rows.columns["tilt"])
    if not chosen.any():
        return None
    errors = rows.columns["tilt"][chosen] - seen.path_at("tilt", rows.t[chosen])
    return float(np.percentile(np.abs(errors), 95)) * DEG


def _height_error(column: str, truth: str) -> Callable[[Seen], float | None]:
    def error(seen: Seen) -> float | None:
        """Root mean square over the climb."""
        rows = seen.output.rows["ground_vertical"]
        chosen = (rows.t > seen.true("liftoff_s")) & (rows.t < seen.true("apogee_s"))
        true = seen.path_at("up_m", rows.t[chosen])
        if truth == "climb":
            path = seen.flight.path
            true = np.interp(rows.t[chosen], path["t_s"], path["vel"][:, 2])
        return float(np.sqrt(np.mean((rows.columns[column][chosen] - true) ** 2)))

    return error


def predicted_apogee_share(seen: Seen) -> float | None:
    """Return the error of the apogee predicted one second after burnout, percent."""
    rows = seen.output.rows.get("ground_apogee")
    later = None if rows is None else np.flatnonzero(rows.t >= seen.true("burnout_s") + 1.0)
    if later is None or not len(later):
        return None
    return _share(float(rows.columns["predicted"][later[0]]), seen.true("apogee_m"))


def control_time_s(seen: Seen) -> float | None:
    """Return the error of the time control was enabled before deployment (the firmware's own instants are the truth)."""
    return _difference(seen.figure("gate", "enabled_s"), seen.true("control_time_s"))


def roll_share(seen: Seen) -> float | None:
    """Return the error of the roll authority where the fins excited it, percent of the true one."""
    if seen.figures.get("roll", {}).get("verdict") not in ("effective", "weak", "reversed"):
        return None
    return _share(seen.figure("roll", "authority_per_pa_rad"), seen.true("roll_authority_per_pa_rad"))


def roll_sign_wrong(seen: Seen) -> float | None:
    """Return 0 when the sign of the roll authority is right and 1 when it is wrong, where it was excited."""
    verdict = seen.figures.get("roll", {}).get("verdict")
    if verdict not in ("effective", "weak", "reversed"):
        return None
    return float((verdict == "reversed") != (seen.true("roll_authority_sign") < 0))


def _apogee_by(source: str) -> Callable[[Seen], float | None]:
    return lambda seen: _share(seen.figure("apogee", f"{source}_m"), seen.true("apogee_m"))


def descent_share(seen: Seen) -> float | None:
    """Return the error of the settled descent rate against the true mean sinking speed of the same stretch, percent."""
    told, start = seen.figure("descent", "rate_m_s"), seen.figure("descent", "t")
    if told is None or start is None:
        return None
    path, end = seen.flight.path, seen.true("landing_s") - 0.5
    up = np.interp([start, end], path["t_s"], path["up_m"])
    return _share(told, float((up[0] - up[1]) / (end - start)))


def landing_spot_m(after_apogee_s: float) -> Callable[[Seen], float | None]:
    """Return how far the landing spot predicted so long after apogee is from the true one, meters."""

    def error(seen: Seen) -> float | None:
        told = [
            entry.body
            for entry in seen.output.entries
            if entry.topic == "figure" and entry.key == "recovery" and "landing_in_s" in entry.body
        ]
        due = seen.true("apogee_s") + after_apogee_s
        body = next((b for b in told if b["t"] >= due), None)
        if body is None:
            return None
        east, north = seen.true("landing_east_m"), seen.true("landing_north_m")
        return float(np.hypot(body["landing_east_m"] - east, body["landing_north_m"] - north))

    return error


def spot_outside(seen: Seen) -> float | None:
    """Return 1 when the first predicted 95 % circle misses the true landing spot, else 0."""
    told = [e.body for e in seen.output.entries if e.topic == "figure" and e.key == "recovery" and "landing_in_s" in e.body]
    if not told:
        return None
    east, north = seen.true("landing_east_m"), seen.true("landing_north_m")
    off = np.hypot(told[0]["landing_east_m"] - east, told[0]["landing_north_m"] - north)
    return float(off > told[0]["landing_radius_m"])


def wind_m_s(seen: Seen) -> float | None:
    """Return the error of the mean wind at 10 m by the drift under the parachutes, m/s."""
    return _difference(seen.figure("recovery", "wind_10_m_m_s"), seen.flight.vehicle.wind.speed_at_10_m_m_s)


def attack_deg(seen: Seen) -> float | None:
    """Return the error of the angle of attack at rail exit if the pad's wind had been measured right, degrees."""
    speed = seen.figure("rail_exit", "speed_m_s")
    wind = seen.flight.vehicle.wind.speed_at_10_m_m_s
    if speed is None:
        return None
    return (np.arctan2(wind, speed) - np.arctan2(wind, seen.true("rail_exit_speed_m_s"))) * DEG


def swing_period(seen: Seen) -> float | None:
    """Return the error of the swing's period where it was excited, percent."""
    if not seen.figures.get("swing", {}).get("excited"):
        return None
    return _share(seen.figure("swing", "period_s"), true_swing(seen)["period_s"])


def swing_damping(seen: Seen) -> float | None:
    """Return the error of the damping ratio where the swing was excited."""
    if not seen.figures.get("swing", {}).get("excited"):
        return None
    return _difference(seen.figure("swing", "damping_ratio"), true_swing(seen)["damping_ratio"])


def true_swing(seen: Seen) -> dict[str, float]:
    """Return period (s) and damping ratio by the vehicle's own coefficients, mean over the fitted window, at its speed.

    tests/SOURCES.md, weathercock: C1 = q A CNa (xcp - xcg), C2 = (q/v) A sum CNa_i (x_i - xcg)^2, mass of the moment.
    """
    motion, speed = seen.flight.motion, seen.figure("swing", "speed_m_s")
    aero, ignition = motion.aero, seen.true("ignition_s")
    periods, ratios = [], []
    for t in np.linspace(seen.figure("swing", "t"), seen.figure("swing", "end_t"), 9):
        point = motion.mass_point(t - ignition)
        density = motion.air.density_kg_m3(float(seen.path_at("up_m", t)))
        half = 0.5 * density * speed * aero.area_m2
        stiffness = half * speed * aero.slope * (aero.pressure_center_m - point.center_m)
        nose, fins = (aero.nose_m - point.center_m) ** 2, (aero.fin_m - point.center_m) ** 2
        damping = half * (aero.nose_slope * nose + aero.fin_slope * fins)
        zeta = damping / (2 * np.sqrt(stiffness * point.lateral_inertia_kg_m2))
        ratios.append(zeta)
        periods.append(2 * pi / np.sqrt(stiffness / point.lateral_inertia_kg_m2 * (1 - zeta * zeta)))
    return {"period_s": float(np.mean(periods)), "damping_ratio": float(np.mean(ratios))}


def drag_share(seen: Seen) -> float | None:
    """Return the error of the coast's drag coefficient, percent, with the mass it really had in place of the sheet's."""
    told = seen.figure("drag", "coefficient")
    body = seen.flight.vehicle.body
    return None if told is None else _share(told * body.dry_mass_kg / FACTS.burnout_mass_kg, body.drag_coast)


def foretold_share(name: str) -> Callable[[Seen], float | None]:
    """Return the error of what was foretold before the flight, percent."""

    def error(seen: Seen) -> float | None:
        seed = seen.flight.seed
        return None if seed is None else _share(foretold(seed)[name], seen.true(name))

    return error


def charge_share(seen: Seen) -> float | None:
    """Return the error of the rails' charge against the battery's true one since the first power packet, percent."""
    rails = seen.figures.get("battery", {}).get("rails_c")
    t = seen.figure("battery", "t")
    if not rails or t is None:
        return None
    rows = seen.output.rows["power"]
    used = rows.columns["charge_used"]
    return _share(sum(rails.values()), float(np.interp(t, rows.t, used) - used[0]))


QUANTITIES: tuple[Quantity, ...] = (
    Quantity("apogee height", "%", lambda s: _share(s.moment("apogee", "height_m"), s.true("apogee_m")), 1.0),
    Quantity("apogee time", "s", lambda s: _difference(s.moment("apogee"), s.true("apogee_s"))),
    Quantity("lift-off", "ms", lambda s: _difference(s.figure("lift_off", "t"), s.true("liftoff_s"), 1000.0), 50.0),
    Quantity(
        "rail-exit speed", "%", lambda s: _share(s.figure("rail_exit", "speed_m_s"), s.true("rail_exit_speed_m_s")), 5.0
    ),
    Quantity("burnout", "ms", lambda s: _difference(s.figure("burnout", "t"), s.true("burnout_s"), 1000.0), 100.0),
    Quantity("apogee predicted 1 s after burnout", "%", predicted_apogee_share, 5.0),
    *(
        Quantity(f"apogee by the {source}", "%", _apogee_by(source))
        for source in ("barometer", "filter", "vehicle", "vehicle_barometer")
    ),
    Quantity("drag of the coast", "%", drag_share),
    Quantity("apogee foretold before the flight", "%", foretold_share("apogee_m")),
    Quantity("rail-exit speed foretold before the flight", "%", foretold_share("rail_exit_speed_m_s")),
    Quantity("time of control before deployment", "s", control_time_s),
    Quantity("roll authority", "%", roll_share),
    Quantity("roll authority's sign wrong", "", roll_sign_wrong, 0.0),
    Quantity("angle of attack at rail exit, wind known", "deg", attack_deg),
    Quantity("swing's period where excited", "%", swing_period, 5.0),
    Quantity("swing's damping ratio where excited", "", swing_damping),
    Quantity(
        "deployment after apogee",
        "s",
        lambda s: _difference(s.figure("recovery", "deployment_delay_s"), s.true("deployment_s") - s.true("apogee_s")),
    ),
    Quantity("descent rate", "%", descent_share),
    Quantity("landing spot, 8 s after apogee", "m", landing_spot_m(8.0)),
    Quantity("landing spot, 20 s after apogee", "m", landing_spot_m(20.0)),
    Quantity("landing spot outside its first 95 % circle", "", spot_outside),
    Quantity("wind at 10 m by the drift", "m/s", wind_m_s),
    Quantity(
        "packets lost in flight",
        "%",
        lambda s: (
            None if s.figure("link", "flight_loss") is None else (s.figure("link", "flight_loss") - s.flight.loss) * 100
        ),
    ),
    Quantity("charge by rail", "%", charge_share),
    Quantity(
        "battery's resistance",
        "%",
        lambda s: _share(s.figure("battery", "resistance_ohm"), s.flight.vehicle.battery.resistance_ohm),
    ),
    Quantity("tilt, 95 % of the frames of the climb", "deg", worst_tilt_deg, 1.5),
    Quantity("height, rms over the climb", "m", _height_error("height", "up")),
    Quantity("climb rate, rms over the climb", "m/s", _height_error("climb_rate", "climb")),
)
