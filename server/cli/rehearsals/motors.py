"""What is printed of the control modes that rehearsals went through, and of the lateral motors they ordered."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from server.cli.paper import ACT, Block, Table, Words
from server.rehearsal.score import Run
from server.rehearsal.side_motors import Leaning, SideMotor

HEAD = ("flight", "seed", "motor", "ordered", "came to", "lights", "tilt as it ends", "without it", "its turn to vertical")


def motor_blocks(runs: Sequence[Run]) -> Iterator[Block]:
    """Yield the modes of each run, and what each lateral motor did."""
    modes = list(dict.fromkeys(mode for one in runs for mode in one.modes_s))
    yield Words("Control modes, and when each began.")
    rows = [(one.scenario, str(one.seed), *(_at(one.modes_s.get(mode)) or "never" for mode in modes)) for one in runs]
    yield Table(rows, ("flight", "seed", *modes), frozenset(range(2, 2 + len(modes))))
    ordered = [(one, motor) for one in runs if one.side_motors is not None for motor in one.side_motors.motors]
    if not ordered:
        return
    yield Words("Lateral motors ordered; what they did is the simulated vehicle's truth.")
    styles = {place: ACT for place, (_, motor) in enumerate(ordered) if motor.turned_rad_s < 0.0}
    rows = [(one.scenario, str(one.seed), *_motor(motor)) for one, motor in ordered]
    yield Table(rows, HEAD, frozenset({3, 5, 6, 7, 8}), styles)
    for one in runs:
        if one.side_motors is not None:
            yield Words(f"{one.scenario}, seed {one.seed}: {_lean(one.side_motors.leaning)}.")
            yield Words(f"On the same orders, had none lit: {_lean(one.side_motors.without)}.", indent=2)


def _at(time_s: float | None) -> str:
    return "" if time_s is None else f"{time_s:.2f} s"


def _motor(motor: SideMotor) -> tuple[str, ...]:
    number, came, lights = str(motor.number), motor.came, _at(motor.lit_s)
    if motor.lit_s is None:
        return number, _at(motor.ordered_s), came, lights, "", "", ""
    tilts = [f"{math.degrees(tilt):.0f} deg" for tilt in (motor.tilt_rad, motor.tilt_without_rad)]
    return number, _at(motor.ordered_s), came, lights, *tilts, f"{math.degrees(motor.turned_rad_s):+.0f} deg/s"


def _lean(leaning: Leaning) -> str:
    apogee, mean = math.degrees(leaning.apogee_rad), math.degrees(leaning.mean_rad)
    mean_tilt = f"tilt {mean:.0f} deg in the mean from the first order to apogee"
    return f"{mean_tilt}, {apogee:.0f} deg there, {leaning.sideways_m_s:.1f} m/s sideways"
