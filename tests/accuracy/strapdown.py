"""Attitude, speed and height from raw units over foreign flights: `python -m tests.accuracy.strapdown [--flights 200]`.

The flights are of `tests/accuracy/turning_flights.py`. Odd numbers are the half a constant may be chosen on, even ones are
only reported. With `--log FOLDER` also one recorded flight: a CSV of time (s), force (m/s2) and rates (deg/s) in columns
named by `--columns`, held against a table of the vehicle's own estimate.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.stats import chi2

from server.flight.inertial.ascent import Attitudes, Moments, Samples, ascent_of
from server.flight.inertial.rotations import inverse, matrices, of_vector, product, vector_of
from tests.accuracy.turning_flights import TurningFlight, draw_flight

Z_95 = 1.96
QUANTITIES = ("turn", "tilt", "climb rate", "sideways speed", "height")
UNITS = ("deg", "deg", "m/s", "m/s", "m")
AXES = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}


def given(one: TurningFlight) -> tuple[dict[str, Samples], Moments, Attitudes]:
    """Return a flight's units, moments and its true attitude, from which the heading on the pad is taken."""
    m = one.moments
    every = slice(None, None, 25)
    samples = {name: Samples(unit.t, unit.force, unit.rates) for name, unit in one.units.items()}
    moments = Moments(m["lift_off"], m["burnout"], m["apogee_time"])
    return samples, moments, Attitudes(one.t[every], one.quaternion[every])


def errors_of(seed: int) -> dict[str, list[tuple[str, float, float]]]:
    """Return for each moment of a flight (quantity, error, error in sigmas); the turn's is the root of its chi-square."""
    one = draw_flight(seed)
    samples, moments, claimed = given(one)
    told = ascent_of({"a": samples["a"]}, moments, claimed)
    found: dict[str, list[tuple[str, float, float]]] = defaultdict(list)
    if not told.units:
        return found
    unit, track = told.units[0].unit, told.units[0].track
    middle = 0.5 * (moments.burnout_s + moments.apogee_s)
    for name, at_s in (("burnout", moments.burnout_s), ("coast", middle), ("apogee", moments.apogee_s - 0.05)):
        if at_s > track.t[-1] + 0.1:
            continue
        at = int(np.clip(np.searchsorted(track.t, at_s), 0, len(track.t) - 1))
        truth = one.truth_at(float(track.t[at]))
        turn = vector_of(product(track.quaternion[at], inverse(one.quaternion[truth])))
        weighed = float(turn @ np.linalg.solve(track.covariance[at][:3, :3] + 1e-8 * np.eye(3), turn))
        found[name].append(("turn", float(np.degrees(np.linalg.norm(turn))), weighed))
        nose = matrices(one.quaternion[truth])[:, 2]
        off = float(track.tilt_rad()[at] - np.arctan2(np.hypot(nose[0], nose[1]), nose[2]))
        found[name].append(("tilt", float(np.degrees(off)), off / float(track.tilt_sigma_rad()[at])))
        if at_s >= unit.force_until_s:
            continue
        speed = track.velocity[at] - one.velocity[truth]
        sigma = track.speed_sigma_m_s()[at]
        found[name].append(("climb rate", float(speed[2]), float(speed[2] / sigma[2])))
        flat = one.velocity[truth, :2]
        along = flat / max(float(np.hypot(*flat)), 1e-9)
        doubt = float(np.sqrt(along @ track.covariance[at, 3:5, 3:5] @ along))
        found[name].append(("sideways speed", float(speed[:2] @ along), float(speed[:2] @ along) / doubt))
        height = float(track.position[at, 2] - one.height[truth])
        found[name].append(("height", height, height / float(track.height_sigma_m()[at])))
    return found


def table(seeds: Sequence[int]) -> list[str]:
    """Return the lines of the table over some flights."""
    rows: Mapping[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
    for seed in seeds:
        for moment, errors in errors_of(seed).items():
            for quantity, error, weighed in errors:
                rows[moment, quantity].append((error, weighed))
    lines = ["| at | quantity | flights | error: median, 95 % | inside 95 % |", "|---|---|---|---|---|"]
    for moment in ("burnout", "coast", "apogee"):
        for quantity, unit in zip(QUANTITIES, UNITS, strict=True):
            if (moment, quantity) not in rows:
                continue
            error, weighed = np.array(rows[moment, quantity]).T
            limit = chi2.ppf(0.95, 3) if quantity == "turn" else Z_95
            size = np.abs(error)
            lines.append(
                f"| {moment} | {quantity} | {len(error)} | {np.median(size):.3g}, {np.percentile(size, 95):.3g} {unit} "
                f"| {np.mean(np.abs(weighed) < limit):.1%} |"
            )
    return lines


def claims(seeds: Sequence[int]) -> list[str]:
    """Return how often honest claims are parted from, and wrong ones found and not believed.

    Honest: the truth with half a degree of leveling error. Wrong: from some moment on turned aside by 15 to 60 degrees at
    once, or at 5 to 20 degrees a second.
    """
    counts: Counter[str] = Counter()
    late: list[float] = []
    for seed in seeds:
        one, rng = draw_flight(seed), np.random.default_rng([6, seed])
        samples, moments, truth = given(one)
        off = of_vector(np.append(np.radians(rng.normal(0.0, 0.5, 2)), 0.0))
        honest = replace(truth, quaternion=product(off, truth.quaternion))
        barometer = truth.t, one.height[::25] + rng.normal(0.0, 0.5, len(truth.t))
        told = ascent_of(samples, moments, honest, barometer=barometer)
        if told.apart is None or told.units[0].track.t[-1] < moments.lift_off_s + 2.0:
            continue
        counts["flights"] += 1
        counts["honest, parted"] += told.apart.parted_s is not None
        counts["units held apart"] += told.agree is False
        from_s = rng.uniform(moments.lift_off_s, told.units[0].track.t[-1] - 1.0)
        axis = rng.normal(size=3)
        axis /= np.linalg.norm(axis)
        angle = np.radians(rng.uniform(15.0, 60.0)) * (truth.t > from_s)
        if rng.random() < 0.5:
            angle = np.radians(rng.uniform(5.0, 20.0)) * np.clip(truth.t - from_s, 0.0, None)
        wrong = replace(honest, quaternion=product(of_vector(np.outer(angle, axis)), honest.quaternion))
        told = ascent_of(samples, moments, wrong, barometer=barometer)
        if told.apart is None or told.apart.parted_s is None:
            counts["wrong, not parted"] += 1
            continue
        late.append(told.apart.parted_s - from_s)
        whom = None if told.belief is None else told.belief.whom
        counts[f"wrong, believed: {whom or 'cannot tell'}"] += 1
    return [f"{name}: {count}" for name, count in counts.items()] + [
        f"parted after the fault began, s: median {np.median(late):.2f}, 95 % {np.percentile(late, 95):.2f}"
    ]


def _column(rows: Sequence[Mapping[str, str]], name: str) -> np.ndarray:
    sign = -1.0 if name.startswith("-") else 1.0
    return sign * np.array([float(row[name.lstrip("-")]) for row in rows])


def recorded(folder: Path, stem: str, axes: Sequence[str], moments: Moments) -> list[str]:
    """Return what a recorded flight's raw unit gives, beside its own estimate; `axes` are the log's for body x, y, z."""
    with (folder / f"{stem}_imu.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if float(row["ts"]) < moments.apogee_s + 2.0]
    t = _column(rows, "ts")
    force, rates = (
        np.column_stack([_column(rows, f"-{kind}{axis[1:]}" if axis[0] == "-" else f"{kind}{axis}") for axis in axes])
        for kind in "AG"
    )
    told = ascent_of({"a": Samples(t, force, np.radians(rates))}, moments, None)
    track = told.units[0].track
    with (folder / f"{stem}_onboard_estimate.csv").open(newline="") as file:
        own = list(csv.DictReader(file))
    own_t, height, climb = (_column(own, name) for name in ("ts", "height", "velocity"))
    lines = [
        "| s | tilt, deg | climb, m/s | sideways, m/s | height, m | own climb | own height |",
        "|---|---|---|---|---|---|---|",
    ]
    for at_s in (1.0, moments.burnout_s, 15.0, 25.0, moments.apogee_s):
        k = min(int(np.searchsorted(track.t, at_s)), len(track.t) - 1)
        tilt, tilt_sigma = np.degrees(track.tilt_rad()[k]), np.degrees(track.tilt_sigma_rad()[k])
        flat = track.velocity[k, :2]
        flat_sigma = np.sqrt(flat @ track.covariance[k, 3:5, 3:5] @ flat) / max(float(np.hypot(*flat)), 1e-9)
        climb_sigma, height_sigma = track.speed_sigma_m_s()[k, 2], track.height_sigma_m()[k]
        lines.append(
            f"| {at_s:.2f} | {tilt:.1f} +- {tilt_sigma:.1f} | {track.velocity[k, 2]:.1f} +- {climb_sigma:.1f} "
            f"| {np.hypot(*flat):.1f} +- {flat_sigma:.1f} | {track.position[k, 2]:.0f} +- {height_sigma:.0f} "
            f"| {np.interp(at_s, own_t, climb):.1f} | {np.interp(at_s, own_t, height):.0f} |"
        )
    lines.append(f"greatest speed {np.linalg.norm(track.velocity, axis=1).max():.1f} m/s; behind +- one sigma")
    return lines


HALVES = {"odd, constants may be chosen on them": 1, "even, only reported": 0}


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.strapdown", description=__doc__.splitlines()[0])
    parser.add_argument("--flights", type=int, default=200, help="of each half (default 200)")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--log", type=Path, help="a folder with STEM_imu.csv and STEM_onboard_estimate.csv")
    parser.add_argument("--stem", default="a")
    parser.add_argument("--axes", default="x,z,-y", help="the log's axes for body x, y, z (default x,z,-y)")
    parser.add_argument("--moments", default="-0.12,8.04,33.57", help="lift-off, burnout, apogee, in the log's seconds")
    parser.add_argument("--claims", action="store_true", help="instead: claimed attitudes, honest and wrong")
    parser.add_argument("--half", choices=("both", "odd", "even"), default="both")
    options = parser.parse_args(arguments)
    if options.log is not None:
        moments = Moments(*map(float, options.moments.split(",")))
        print("\n".join(recorded(options.log, options.stem, options.axes.split(","), moments)))
        return 0
    for name, first in HALVES.items():
        if options.half not in ("both", name.split(",")[0]):
            continue
        print(f"flights of {name}:")
        seeds = range(options.first + first, options.first + 2 * options.flights, 2)
        print("\n".join(claims(seeds) if options.claims else table(seeds)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
