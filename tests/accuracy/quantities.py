"""Every quantity the station computes of a flight, with the simulated vehicle's truth beside it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from math import pi

import numpy as np

from server.pipeline import Output
from tests.accuracy.random_flights import Flown

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
    Quantity("time of control before deployment", "s", control_time_s),
    Quantity("roll authority", "%", roll_share),
    Quantity("roll authority's sign wrong", "", roll_sign_wrong, 0.0),
    Quantity("tilt, 95 % of the frames of the climb", "deg", worst_tilt_deg, 1.5),
    Quantity("height, rms over the climb", "m", _height_error("height", "up")),
    Quantity("climb rate, rms over the climb", "m/s", _height_error("climb_rate", "climb")),
)
