"""What side motors did when they fired in flight, as part of the study of control."""

from __future__ import annotations

from math import degrees, hypot

import numpy as np

from server.flight.effectiveness.side_motor import Step, rate_step
from server.study.control_window import Controlled
from server.study.study import Number

FLAG_S = 0.1  # so much after its flag is heard a motor may begin to push; common practice, no source
ASKEW_RAD = np.radians(15.0)  # between the step and where the motor's place says, surely; common practice, no source
WEAK_SHARE = 0.8


def tell_side_motors(
    flown: Controlled, said: list[str], advice: list[str], numbers: list[Number]
) -> tuple[tuple[float, float], ...]:
    """Add what each motor that fired in free flight turned the vehicle by; return when each began, and for how long (s)."""
    kicks = []
    fired = flown.case.window("side_motors", flown.start_s, flown.end_s)
    for place, (role, column) in enumerate(fired.columns.items()):
        known = np.isfinite(column)
        t, on = fired.t[known], column[known] > 0.5
        if not on.any() or on[0]:
            continue
        first = int(on.argmax())
        name = role.partition("]")[0].partition("[")[2]
        kick = _tell(flown, (name, place), float(t[first - 1]), float(t[first]), said, advice, numbers)
        if kick is not None:
            kicks.append(kick)
    return tuple(kicks)


def _tell(
    flown: Controlled,
    motor: tuple[str, int],
    before_s: float,
    seen_s: float,
    said: list[str],
    advice: list[str],
    numbers: list[Number],
) -> tuple[float, float] | None:
    facts = flown.case.facts
    name, place = f"Side motor {motor[0]}", motor[1]
    if facts.side_motor_burn_s is None:
        said.append(f"{name} fired; the sheet does not give side_motor_burn_s, so what it did is not told.")
        return None
    angle = float(flown.places_rad[place]) if place < flown.places_rad.size else 0.0
    step = rate_step(flown.heard("pitch"), before_s, seen_s + FLAG_S, facts.side_motor_burn_s, angle)
    if step is None:
        said.append(f"{name} fired, but too little was heard around it.")
        return None
    low, high = sorted((step.along_low, step.along_high))
    numbers.append(Number(f"{name}: step of the rate", degrees(step.along), degrees(low), degrees(high), "deg/s"))
    if low <= 0.0 <= high:
        said.append(
            f"{name} fired and no push is seen: {degrees(step.along):.0f} deg/s ({degrees(low):.0f} to {degrees(high):.0f})."
        )
        advice.append(f"Look at {name.lower()}: whether it lit, and whether its igniter was the one fired.")
        return None
    text = f"{name} turned the nose by {degrees(step.along):.0f} deg/s ({degrees(low):.0f} to {degrees(high):.0f}, 95 %)"
    if facts.lateral_inertia_kg_m2 is not None:
        text += _impulse(flown, name, step, numbers)
    said.append(text + ".")
    _odd(flown, name, step, said, advice)
    return step.began_s, facts.side_motor_burn_s


def _impulse(flown: Controlled, name: str, step: Step, numbers: list[Number]) -> str:
    """Return angular impulse, lever arm and impulse in words, and add them to the numbers."""
    facts = flown.case.facts
    inertia = facts.lateral_inertia_kg_m2 or 0.0
    told = [inertia * one for one in (step.along, step.along_low, step.along_high)]
    numbers.append(_number(f"{name}: angular impulse", told, "N m s"))
    text = f", an angular impulse of {told[0]:.3g} N m s"
    if facts.side_motor_impulse_n_s is not None:
        arm = [one / facts.side_motor_impulse_n_s for one in told]
        numbers.append(_number(f"{name}: lever arm", arm, "m", "with the sheet's impulse"))
        text += f": with the sheet's {facts.side_motor_impulse_n_s:g} N s a lever arm of {arm[0]:.2f} m"
    if facts.side_motor_station_m is not None and facts.center_of_gravity_m is not None:
        lever = facts.center_of_gravity_m - facts.side_motor_station_m
        if abs(lever) > 0.01:
            gave = [one / lever for one in told]
            numbers.append(_number(f"{name}: impulse", gave, "N s", "with the sheet's places"))
            low, high = sorted(gave[1:])
            text += f", with the sheet's places an impulse of {gave[0]:.2f} N s ({low:.2f} to {high:.2f})"
    return text


def _number(name: str, told: list[float], unit: str, note: str = "") -> Number:
    """Return a number from a value and the two ends of its interval."""
    low, high = sorted(told[1:])
    return Number(name, told[0], low, high, unit, note)


def _odd(flown: Controlled, name: str, step: Step, said: list[str], advice: list[str]) -> None:
    """Tell a push that goes another way than its place says, or that is surely weaker than the sheet's."""
    doubt = 1.96 * hypot(step.sigma_x, step.sigma_y) / max(hypot(step.along, step.across), 1e-9)
    facts = flown.case.facts
    if abs(step.off_rad) - doubt > ASKEW_RAD:
        said.append(f"Its push goes {degrees(abs(step.off_rad)):.0f} degrees beside where its place says.")
        advice.append(f"See whether {name.lower()} is wired to the channel of its place, and sits square.")
    if None in (facts.side_motor_impulse_n_s, facts.side_motor_station_m, facts.center_of_gravity_m):
        return
    lever = (facts.center_of_gravity_m or 0.0) - (facts.side_motor_station_m or 0.0)
    wanted = (facts.side_motor_impulse_n_s or 0.0) * lever / (facts.lateral_inertia_kg_m2 or np.inf)
    if 0.0 < max(step.along_low / wanted, step.along_high / wanted) < WEAK_SHARE:
        advice.append(f"{name} gave surely less than impulse and place of the sheet say: weigh the motor, measure the arm.")
