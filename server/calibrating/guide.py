"""What to do next in a calibration, from all that was heard so far; and the calibration once it is all there.

A step is recognized by itself: that the vehicle lies still by the scatter of its own unit, a new position by which way
is up, a turn by the rates between two stays. Pure: a function of options and signals, so that a recording is judged as
the bench is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import radians

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.calibrating.signals import Signals
from server.flight.calibration.accelerometer import (
    UNTOLD_GRAVITY_SIGMA,
    accelerometer,
    check_geometry,
    distinct,
    missing_sides,
    positions_of,
)
from server.flight.calibration.alignment import LEAST_TURNING_RAD_S, alignment, turned_enough
from server.flight.calibration.allan import allan
from server.flight.calibration.barometer import STANDARD_K, UNTOLD_TEMPERATURE_SIGMA_K, Visit, barometer
from server.flight.calibration.estimate import Calibration, UncalibratedFault
from server.flight.calibration.gyro import NEAR_A_TURN, WHOLE_TURN, Turn, gyro_at_rest, gyro_of_turns, turn_between
from server.flight.calibration.magnetometer import FEWEST, magnetometer, rough_cover
from server.flight.calibration.rest import Still, face_up, stretches_at_rest

CAUTION = (
    "Before anything is moved: motor and all charges out, arming key out, fins powered off, hands clear of fins and "
    "channels. The range safety officer and local law decide; Blockhouse is not a safety device."
)
STAY_S = 5.0  # in one position
TURN_STAY_S = 3.0
VISIT_S = 10.0
GYRO_S, ALLAN_S, HAND_S = 60.0, 1800.0, 40.0
SAME_PLACE_M_S2 = 0.35  # about two degrees
SAME_STEP = 0.4  # of the way to the next height: less is a nudge, no stair
M_PER_PA = 0.083  # near the ground, only to tell stairs apart
FRESH_S = 1.5
SIDES = {
    "+z": "nose up",
    "-z": "nose down",
    "+x": "lying, body axis +x up",
    "-x": "lying, body axis -x up",
    "+y": "lying, body axis +y up",
    "-y": "lying, body axis -y up",
}


@dataclass(frozen=True)
class Options:
    """What is asked: the kind, the unit ("a" or "b"), and what a person knows about place, air and jig."""

    what: str
    unit: str = "a"
    heights_m: tuple[float, ...] = ()
    gravity_m_s2: float = GRAVITY_M_S2
    gravity_sigma: float = UNTOLD_GRAVITY_SIGMA
    placed_sigma_rad: float = radians(1.0)
    stop_sigma_rad: float = radians(0.5)
    temperature_k: float = STANDARD_K
    temperature_sigma_k: float = UNTOLD_TEMPERATURE_SIGMA_K
    reference_pa: float | None = None
    seconds: float | None = None
    count_m_s2: float = 0.0  # one count of the wire
    count_rad_s: float = 0.0

    @property
    def name(self) -> str:
        """Under which the sheet keeps it."""
        return f"{self.what}_{self.unit}" if self.what in OF_A_UNIT else self.what


@dataclass(frozen=True)
class Standing:
    """Where a calibration is: what to do now, what was seen so far, how much of it is there (0 to 1)."""

    do: str
    seen: tuple[str, ...]
    share: float

    @property
    def ready(self) -> bool:
        """Whether all is there."""
        return self.share >= 1.0


@dataclass(frozen=True)
class Kind:
    """One kind of calibration: what a person reads of it, the groups it needs, where it stands, and its end."""

    title: str
    needs: tuple[str, ...]
    likes: tuple[str, ...]
    standing: Callable[[Options, Signals], Standing]
    result: Callable[[Options, Signals], Calibration]


def _sentence(problem: UncalibratedFault) -> str:
    text = str(problem)
    return f"{text[:1].upper()}{text[1:]}."


# ---------------------------------------------------------------- stays


def _stays(options: Options, signals: Signals, shortest_s: float) -> tuple[list[Still], Floats, Floats]:
    """Return the stays of a unit with times (n,) and force (n, 3); the gyro helps where it comes with the force."""
    t, force = signals[f"accel.{options.unit}"]
    rates = signals.get(f"gyro.{options.unit}")
    if not len(t):
        return [], t, force
    turning = None
    if rates is not None and len(rates[0]):
        turning = np.column_stack([np.interp(t, rates[0], rates[1][:, k]) for k in range(3)])
    return stretches_at_rest(t, force, turning, shortest_s), t, force


def _now(stays: Sequence[Still], t: Floats) -> Still | None:
    """The stay that still lasts, if any."""
    return stays[-1] if stays and len(t) and t[-1] - stays[-1].end_s < FRESH_S else None


def _means(stays: Sequence[Still], force: Floats) -> list[Floats]:
    return [np.asarray(force[one.first : one.stop].mean(axis=0), dtype=np.float64) for one in stays]


def _side(mean: Floats) -> str:
    return SIDES.get(face_up(mean), "between two sides")


# ---------------------------------------------------------------- accelerometer


def _accelerometer_standing(options: Options, signals: Signals) -> Standing:
    every, t, force = _stays(options, signals, 1.0)
    done = [one for one in every if one.end_s - one.start_s >= STAY_S - 0.5]
    means = _means(done, force)
    apart = distinct(means)
    seen = tuple(f"{_side(means[i])}: still for {done[i].end_s - done[i].start_s:.0f} s" for i in apart)
    missing = missing_sides(means)
    here = _now(every, t)
    if here is not None and here not in done:
        return Standing(
            f"Hold still: {_side(_means([here], force)[0])}, {here.end_s - here.start_s:.0f} of {STAY_S:.0f} s.",
            seen,
            _part(len(apart), missing),
        )
    if missing:
        do = (
            f"Lay it on another side, for example {next(SIDES[side] for side in SIDES if side in missing)}; let go and wait."
        )
        return Standing(do, seen, _part(len(apart), missing))
    try:
        check_geometry(means, options.gravity_m_s2)
    except UncalibratedFault as problem:
        return Standing(_sentence(problem), seen, 0.99)
    return Standing("All six sides are there.", seen, 1.0)


def _part(count: int, missing: Sequence[str]) -> float:
    return min(count, 6 - len(missing)) / 6.0 if missing else 1.0 if count >= 6 else 0.99


def _accelerometer(options: Options, signals: Signals) -> Calibration:
    stays, _, force = _stays(options, signals, STAY_S)
    stretches = [force[one.first : one.stop] for one in stays]
    return accelerometer(
        positions_of(stretches, options.count_m_s2), options.gravity_m_s2, options.gravity_sigma, options.placed_sigma_rad
    )


# ---------------------------------------------------------------- gyro and Allan deviation


def _longest(options: Options, signals: Signals) -> Still | None:
    stays, _, _ = _stays(options, signals, 1.0)
    return max(stays, key=lambda one: one.end_s - one.start_s, default=None)


def _wanted_s(options: Options) -> float:
    return options.seconds or (ALLAN_S if options.what == "allan" else GYRO_S)


def _rest_standing(options: Options, signals: Signals) -> Standing:
    stays, t, _ = _stays(options, signals, 1.0)
    longest, wanted = _longest(options, signals), _wanted_s(options)
    length = 0.0 if longest is None else longest.end_s - longest.start_s
    if length >= wanted - 1.0:
        return Standing("It lay still long enough.", (f"still for {length:.0f} s",), 1.0)
    here = _now(stays, t)
    share = min(0.99, length / wanted)
    seen = (f"longest stay so far: {length:.0f} s",) if longest is not None else ()
    if here is None:
        return Standing(f"Lay it down, let go and leave it alone for {wanted:.0f} s: no wind, no footsteps.", seen, share)
    return Standing(f"Hold still: {here.end_s - here.start_s:.0f} of {wanted:.0f} s.", seen, share)


def _still_rates(options: Options, signals: Signals) -> tuple[Floats, Floats]:
    longest = _longest(options, signals)
    if longest is None or longest.end_s - longest.start_s < 0.9 * min(_wanted_s(options), GYRO_S):
        raise UncalibratedFault("it never lay still for long enough")
    t, rates = signals[f"gyro.{options.unit}"]
    inside = (t >= longest.start_s) & (t <= longest.end_s)
    return t[inside], rates[inside]


def _gyro(options: Options, signals: Signals) -> Calibration:
    return gyro_at_rest(*_still_rates(options, signals), options.count_rad_s)


def _allan(options: Options, signals: Signals) -> Calibration:
    return allan(*_still_rates(options, signals))


# ---------------------------------------------------------------- turns


def _turns(options: Options, signals: Signals) -> tuple[list[Turn], list[str]]:
    """Return the whole turns between two stays, and what was seen of each movement."""
    stays, _, force = _stays(options, signals, TURN_STAY_S)
    t, rates = signals[f"gyro.{options.unit}"]
    means = _means(stays, force)
    whole, seen = [], []
    for k in range(len(stays) - 1):
        edges = [slice(*np.searchsorted(t, (s.start_s, s.end_s + 1e-9)).tolist()) for s in stays[k : k + 2]]
        try:
            turn = turn_between(t, rates, *edges)
        except UncalibratedFault as problem:
            seen.append(str(problem))
            continue
        size = float(np.linalg.norm(turn.angle))
        if turn.axis < 0 or abs(size / WHOLE_TURN - 1.0) > NEAR_A_TURN:
            if size > 0.25 * WHOLE_TURN and turn.axis >= 0:
                seen.append(f"about {'xyz'[turn.axis]} by {np.degrees(size):.0f} degrees: not once around, does not count")
        elif float(np.linalg.norm(means[k + 1] - means[k])) > SAME_PLACE_M_S2:
            seen.append(f"about {'xyz'[turn.axis]}: it did not come back to where it began, does not count")
        else:
            whole.append(turn)
            seen.append(f"about {'xyz'[turn.axis]} once around in {turn.seconds:.0f} s")
    return whole, seen


def _turn_standing(options: Options, signals: Signals) -> Standing:
    whole, seen = _turns(options, signals)
    missing = [name for axis, name in enumerate("xyz") if all(turn.axis != axis for turn in whole)]
    share = (3 - len(missing)) / 3.0
    if not missing:
        return Standing("There is a whole turn about each axis.", tuple(seen), 1.0)
    stays, t, _ = _stays(options, signals, TURN_STAY_S)
    if _now(stays, t) is None and not np.array_equal(t, []):
        return Standing("Lay it against a stop, let go and hold still for 5 s.", tuple(seen), share)
    axis = f"{missing[0]} (the long axis)" if missing[0] == "z" else missing[0]
    return Standing(f"Turn it exactly once around about {axis}, back against the stop, and let go.", tuple(seen), share)


def _turn(options: Options, signals: Signals) -> Calibration:
    return gyro_of_turns(_turns(options, signals)[0], options.stop_sigma_rad)


# ---------------------------------------------------------------- alignment and magnetometer


def _alignment_standing(_: Options, signals: Signals) -> Standing:
    t, rates = signals["gyro.a"]
    moved = float((np.linalg.norm(rates, axis=1) > LEAST_TURNING_RAD_S).mean() * (t[-1] - t[0])) if len(t) > 2 else 0.0
    least, direction = turned_enough(rates)
    share = min(moved / HAND_S, least / LEAST_TURNING_RAD_S)
    seen = (f"turned by hand for {moved:.0f} s",) if moved else ()
    if share >= 1.0 and moved >= HAND_S:
        return Standing("It was turned enough.", seen, 1.0)
    axis = "xyz"[int(np.argmax(np.abs(direction)))]
    more = f"; about {axis} most of all" if moved > 5.0 and least < LEAST_TURNING_RAD_S else ""
    return Standing(f"Turn it by hand about all three axes, to and fro, for {HAND_S:.0f} s{more}.", seen, min(share, 0.99))


def _alignment(_: Options, signals: Signals) -> Calibration:
    return alignment(*signals["gyro.a"], *signals["gyro.b"])


def _magnetometer_standing(_: Options, signals: Signals) -> Standing:
    readings = signals["magnetometer"][1]
    cover = rough_cover(readings)
    seen = (f"{len(readings)} readings, {100 * cover:.0f} % of all directions",) if len(readings) else ()
    do = "Turn it slowly through every attitude, away from iron, tools and phones."
    if cover >= 0.95 and len(readings) >= 2 * FEWEST:
        try:
            magnetometer(readings)
        except UncalibratedFault as problem:
            return Standing(_sentence(problem), seen, 0.95)
        return Standing("Every direction is there.", seen, 1.0)
    return Standing(do, seen, min(0.95, cover, len(readings) / (2 * FEWEST)))


def _magnetometer(_: Options, signals: Signals) -> Calibration:
    return magnetometer(signals["magnetometer"][1])


# ---------------------------------------------------------------- barometer


def _visits(options: Options, signals: Signals) -> list[Visit]:
    """Return a visit for each height carried to, as far as they came; a nudge in place belongs to the visit before."""
    stays, _, _ = _stays(options, signals, VISIT_S)
    t, pressure = signals["pressure"]
    heights = options.heights_m
    found: list[Floats] = []  # of each visit times and pressures, (n, 2)
    for one in stays:
        inside = (t >= one.start_s) & (t <= one.end_s)
        if not inside.any():
            continue
        part = np.column_stack((t[inside], pressure[inside, 0]))
        if found:
            step = heights[len(found)] - heights[len(found) - 1] if len(found) < len(heights) else np.inf
            risen = -M_PER_PA * float(part[:, 1].mean() - found[-1][:, 1].mean())
            if abs(risen) < SAME_STEP * abs(step):
                found[-1] = np.concatenate((found[-1], part))
                continue
        if len(found) == len(heights):
            break
        found.append(part)
    return [Visit(float(part[:, 0].mean()), heights[k], float(part[:, 1].mean())) for k, part in enumerate(found)]


def _barometer_standing(options: Options, signals: Signals) -> Standing:
    heights = options.heights_m
    if not heights:
        raise UncalibratedFault("the heights of the places are needed, in meters and in the order of going there")
    visits = _visits(options, signals)
    seen = tuple(f"at {one.height_m:g} m: {one.pressure_pa:.1f} Pa" for one in visits)
    if len(visits) == len(heights):
        return Standing("Every height is there.", seen, 1.0)
    do = f"Put it down at {heights[len(visits)]:g} m, let go, and wait {VISIT_S:.0f} s; shield it from wind."
    return Standing(do, seen, len(visits) / len(heights))


def _barometer(options: Options, signals: Signals) -> Calibration:
    visits = _visits(options, signals)
    if len(visits) < len(options.heights_m):
        raise UncalibratedFault(f"{len(visits)} of {len(options.heights_m)} heights were found")
    return barometer(visits, options.temperature_k, options.temperature_sigma_k, options.reference_pa)


KINDS: dict[str, Kind] = {
    "accelerometer": Kind(
        "Accelerometer in six positions", ("accel.{unit}",), ("gyro.{unit}",), _accelerometer_standing, _accelerometer
    ),
    "gyro": Kind("Gyro bias at rest", ("accel.{unit}", "gyro.{unit}"), (), _rest_standing, _gyro),
    "turn": Kind("Gyro scale by whole turns", ("accel.{unit}", "gyro.{unit}"), (), _turn_standing, _turn),
    "allan": Kind("Gyro noise by Allan deviation", ("accel.{unit}", "gyro.{unit}"), (), _rest_standing, _allan),
    "alignment": Kind("Unit b against unit a", ("gyro.a", "gyro.b"), (), _alignment_standing, _alignment),
    "magnetometer": Kind("Magnetometer", ("magnetometer",), (), _magnetometer_standing, _magnetometer),
    "barometer": Kind(
        "Barometer on known heights", ("accel.{unit}", "pressure"), ("gyro.{unit}",), _barometer_standing, _barometer
    ),
}
OF_A_UNIT = frozenset({"accelerometer", "gyro", "turn", "allan"})


def groups_of(options: Options) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the groups of signals that a calibration needs, and those that help where they are there."""
    kind, unit = KINDS[options.what], options.unit
    return tuple(name.format(unit=unit) for name in kind.needs), tuple(name.format(unit=unit) for name in kind.likes)


def standing(options: Options, signals: Signals) -> Standing:
    """Return where a calibration stands after all these signals. Raises UncalibratedFault for what can never be done."""
    needs, _ = groups_of(options)
    silent = [group for group in needs if not len(signals[group][0])]
    if silent:
        return Standing(f"Nothing was heard of {silent[0]} yet: is the vehicle on?", (), 0.0)
    return KINDS[options.what].standing(options, signals)


def calibrated(options: Options, signals: Signals) -> Calibration:
    """Return the calibration of all these signals; raises UncalibratedFault, with what is missing."""
    return KINDS[options.what].result(options, signals)
