"""A whole ascent by its raw inertial units: each integrated as far as it can be believed, then held against the claim.

Takes arrays, so that telemetry and an onboard log at its full rate go the same way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import atan2, hypot, inf, radians

import numpy as np

from protocol.arrays import Floats
from server.flight.inertial.believing import (
    FEWEST,
    Apart,
    Belief,
    apart,
    heading_of,
    height_with,
    tracks_agree,
    whom_to_believe,
)
from server.flight.inertial.inputs import Unit, unit_of
from server.flight.inertial.leveling import Rest, Start, UnitErrors, at_rest, start_of
from server.flight.inertial.rotations import matrices
from server.flight.inertial.strapdown import Strapdown, integrate

BEFORE_S = 0.2  # before lift-off the integration of velocity begins: a lift-off is in doubt by as much
ALIKE_S = 0.5  # two units that end so near each other are believed as long
PAD_S = 0.1  # and the rest ends so long before that
BAROMETER_M, BAROMETER_SHARE = 1.5, 0.015  # one sigma of a height by pressure: port, air, formula. Common practice.
LONGEST_DOUBT_RAD = radians(30.0)  # an attitude in doubt by more is none
CLAIM, RAIL, FREE = "claim", "rail", "free"


@dataclass(frozen=True)
class Moments:
    """When it left, burned out and reached the top, in the samples' own time (s)."""

    lift_off_s: float
    burnout_s: float
    apogee_s: float


@dataclass(frozen=True)
class Samples:
    """One unit as sent: times (n,), force (n, 3) m/s2, infinite at an end of its range, rates (n, 3) rad/s."""

    t: Floats
    force: Floats
    rates: Floats


@dataclass(frozen=True)
class Attitudes:
    """The attitude the vehicle claims: times (n,), unit quaternions (n, 4), scalar first, body to world."""

    t: Floats
    quaternion: Floats


@dataclass(frozen=True)
class Integrated:
    """One unit over the ascent: what was heard of it, its start on the pad, and the track as far as it can be believed."""

    name: str
    unit: Unit
    start: Start
    track: Strapdown

    @property
    def has_speed(self) -> bool:
        """Whether velocity and height can be believed to the track's end."""
        return self.unit.force_until_s >= float(self.track.t[-1])


@dataclass(frozen=True)
class Ascent:
    """The units integrated, the one that counts first; why others are not; where its heading is from, and the claim.

    `agree` tells whether two units do. `apart` is None without a claim, `belief` where nothing parts.
    """

    units: tuple[Integrated, ...]
    missing: Mapping[str, str]
    heading: str
    agree: bool | None = None
    apart: Apart | None = None
    belief: Belief | None = None


def ascent_of(
    samples: Mapping[str, Samples],
    moments: Moments,
    claimed: Attitudes | None,
    rail_azimuth_rad: float | None = None,
    barometer: tuple[Floats, Floats] | None = None,
    navigates_by: str | None = None,
    errors: UnitErrors | None = None,
) -> Ascent:
    """Integrate every unit from the pad to apogee and compare. `barometer`: times and heights over the pad (m), (n,).

    The unit that counts is the one believed longest, of two alike the one with a speed, then the one that the vehicle does
    not navigate by.
    """
    made: list[Integrated] = []
    missing: dict[str, str] = {}
    headings = set()
    for name, given in samples.items():
        unit = unit_of(given.t, given.force, given.rates, moments.lift_off_s - BEFORE_S, moments.apogee_s, moments.burnout_s)
        if unit is None:
            missing[name] = "was not heard with both force and rates"
            continue
        rest = at_rest(unit.t, unit.force, unit.rates, moments.lift_off_s - BEFORE_S - PAD_S)
        if not isinstance(rest, Rest):
            missing[name] = rest
            continue
        start, heading = _started(rest, errors or UnitErrors(), claimed, moments, rail_azimuth_rad)
        headings.add(heading)
        one = _integrated(name, unit, start, moments)
        if one is None:
            missing[name] = "was at the end of its range or silent from the beginning"
        else:
            made.append(one)
    latest_s = max((float(one.track.t[-1]) for one in made), default=0.0)
    made.sort(
        key=lambda one: (
            latest_s - float(one.track.t[-1]) > ALIKE_S, not one.has_speed, one.name == navigates_by, one.name
        )
    )  # fmt: skip
    ascent = Ascent(tuple(made), missing, headings.pop() if headings else FREE)
    return _compared(ascent, claimed, barometer) if made else ascent


def _started(
    rest: Rest, errors: UnitErrors, claimed: Attitudes | None, moments: Moments, rail_azimuth_rad: float | None
) -> tuple[Start, str]:
    """Return attitude on the pad, its heading from the claim there, else from the rail's azimuth, else none."""
    bare = start_of(rest, errors)
    if claimed is not None:
        size = np.linalg.norm(claimed.quaternion, axis=1)
        with np.errstate(invalid="ignore"):
            chosen = (claimed.t < moments.lift_off_s - PAD_S) & (np.abs(size - 1.0) < 0.05)
        if chosen.sum() >= FEWEST:
            return start_of(rest, errors, heading_of(claimed.quaternion[chosen][-100:], bare.quaternion)), CLAIM
    nose = matrices(bare.quaternion)[:, 2]
    lean, doubt = hypot(nose[0], nose[1]), float(np.sqrt(bare.covariance[0, 0]))
    if rail_azimuth_rad is None or lean < 2.0 * doubt:
        return bare, FREE
    # Azimuth runs from north clockwise, a turn about up from east counterclockwise.
    turn = (np.pi / 2.0 - rail_azimuth_rad) - atan2(nose[1], nose[0])
    return start_of(rest, errors, float(turn), doubt / lean), RAIL


def _integrated(name: str, unit: Unit, start: Start, moments: Moments) -> Integrated | None:
    chosen = unit.t <= min(unit.rates_until_s, moments.apogee_s)
    if (unit.t[chosen] > moments.lift_off_s).sum() < FEWEST:
        return None
    track = integrate(unit.t[chosen], unit.force[chosen], unit.rates[chosen], start, moments.lift_off_s - BEFORE_S)
    doubtful = np.flatnonzero(track.tilt_sigma_rad() > LONGEST_DOUBT_RAD)
    if len(doubtful):
        if doubtful[0] < FEWEST:
            return None
        keep = slice(0, int(doubtful[0]))
        track = Strapdown(
            track.t[keep], track.quaternion[keep], track.velocity[keep], track.position[keep],
            track.covariance[keep], track.rates[keep], track.force[keep],
        )  # fmt: skip
    return Integrated(name, unit, start, track)


def _compared(ascent: Ascent, claimed: Attitudes | None, barometer: tuple[Floats, Floats] | None) -> Ascent:
    first = ascent.units[0]
    agree = None
    if len(ascent.units) > 1:
        agree = tracks_agree(first.track, ascent.units[1].track, inf)
    if claimed is None or ascent.heading != CLAIM:
        return replace(ascent, agree=agree)
    order = np.argsort(claimed.t, kind="stable")
    t, quaternion = claimed.t[order], claimed.quaternion[order]
    found = apart(first.track, t, quaternion)
    belief = None
    if found is not None and found.parted_s is not None:
        belief = whom_to_believe(agree, *_heights_off(first, t, quaternion, barometer))
    return replace(ascent, agree=agree, apart=found, belief=belief)


def _heights_off(
    one: Integrated, t: Floats, claimed: Floats, barometer: tuple[Floats, Floats] | None
) -> tuple[float | None, float | None]:
    """Return how many sigmas the height at the end is off the barometer's: integrated, and with the claimed attitude."""
    if barometer is None or not one.has_speed:
        return None, None
    track = one.track
    told = barometer_at(barometer, float(track.t[-1]))
    if told is None:
        return None, None
    sigma = hypot(float(track.height_sigma_m()[-1]), hypot(BAROMETER_M, BAROMETER_SHARE * told))
    with_claim = height_with(track.t, track.force, t, claimed, _moves_from(track))
    return (float(track.position[-1, 2]) - told) / sigma, (float(with_claim[-1]) - told) / sigma


def _moves_from(track: Strapdown) -> float:
    moving = np.flatnonzero(np.any(track.velocity != 0.0, axis=1))
    return float(track.t[max(int(moving[0]) - 1, 0)]) if len(moving) else inf


def barometer_at(barometer: tuple[Floats, Floats], at_s: float, before_s: float = 1.2) -> float | None:
    """Return the height (m) of times and heights (n,) at a time; None where fewer than five were heard just before it.

    By a parabola through those before it alone: after the top the puff of a charge is in the air.
    """
    t, height = barometer
    near = (t <= at_s) & (t >= at_s - before_s) & np.isfinite(height)
    if near.sum() < 5 or np.ptp(t[near]) < 0.5 * before_s:
        return None
    return float(np.polyfit(t[near] - at_s, height[near], 2)[-1])
