"""How well fins' effects are told: `python -m tests.accuracy.control_effectiveness [flights of a row, 40]`.

Flights of `control_flights` of known effect, told by axis and by fin: error, whether the 95 % interval held, sign, and
that what did not move is called so. Odd seeds may be chosen on, even ones are what counts.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from math import isfinite

import numpy as np

from server.flight.control.roll_authority import NOT_EXCITED, REVERSED, WEAK
from server.flight.effectiveness.axis_fit import fit_axis
from server.flight.effectiveness.effect import SIGN_ONLY, SIZED_SHARE, Effect, effect_of
from server.flight.effectiveness.modes import AXES
from server.flight.effectiveness.side_motor import rate_step
from tests.accuracy.control_flights import PLACES, Plan, fly, heard_of, mode_truth, step_truth


@dataclass
class Row:
    """What was told of one kind of effect."""

    errors: list[float] = field(default_factory=list)  # of those with a size, relative
    halves: list[float] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)  # of all that have an interval
    verdicts: list[str] = field(default_factory=list)
    signs: list[bool] = field(default_factory=list)  # of all whose sign was told

    def line(self, name: str) -> str:
        """Return the row of the table."""
        n, told = len(self.verdicts), len(self.errors)
        sized = f"{told} of {n}"
        worst = f"{100 * np.percentile(self.errors, 95):.1f} %" if told else "-"
        within = f"{sum(one <= 0.1 for one in self.errors)} of {told}" if told else "-"
        held = f"{sum(self.held)} of {len(self.held)}"
        only = self.verdicts.count(SIGN_ONLY)
        wrong = f"{len(self.signs) - sum(self.signs)} of {len(self.signs)}"
        return f"| {name} | {sized} | {worst} | {within} | {held} | {only} | {self.verdicts.count(NOT_EXCITED)} | {wrong} |"


PURPOSE = "on purpose"  # as excitation is advised: enough of it on a calm day
HEAD = (
    "| effect | size told | error, 95 % | within 10 % | interval held | sign only | not excited | wrong sign |\n"
    "|---|---|---|---|---|---|---|---|"
)


def plan_of(kind: str, seed: int) -> Plan:
    """Return a flight of one kind, drawn from its seed: a tenth with all fins reversed, but for those excited on purpose."""
    rng = np.random.default_rng([seed, 5])
    if kind == PURPOSE:
        return Plan(
            "three axes",
            torque_rad_s2=float(rng.uniform(0.05, 0.3)),
            amplitude_rad=float(rng.uniform(0.1, 0.2)),
            share=float(rng.uniform(0.3, 0.6)),
            wind_m_s=float(rng.uniform(0.0, 3.0)),
            is_smooth=bool(rng.random() < 0.5),
            period_s=float(rng.uniform(0.5, 0.9)),
        )
    sign = -1.0 if rng.random() < 0.1 else 1.0
    return Plan(
        kind,
        torque_rad_s2=float(rng.uniform(0.1, 0.8)),
        amplitude_rad=float(rng.uniform(0.04, 0.24)),
        share=sign * float(rng.uniform(0.2, 0.6)),
        each=tuple(rng.uniform(0.6, 1.0, 4)) if kind == "each fin" else (1.0, 1.0, 1.0, 1.0),  # type: ignore[arg-type]
        loss=float(rng.choice([0.0, 0.0, 0.1])),
        wind_m_s=float(rng.uniform(0.0, 4.0)),
        is_smooth=bool(rng.random() < 0.5),
        period_s=float(rng.uniform(0.5, 0.9)),
    )


def note(row: Row, effect: Effect, true: float) -> None:
    """Add what was told of one effect."""
    row.verdicts.append(effect.verdict)
    if isfinite(effect.value):
        row.held.append(bool(effect.low <= true <= effect.high))
        if effect.verdict not in (NOT_EXCITED, REVERSED, WEAK):
            row.signs.append(effect.value * true > 0.0)
        if effect.verdict not in (NOT_EXCITED, SIGN_ONLY) and effect.half_share <= SIZED_SHARE:
            row.errors.append(abs(effect.value / true - 1.0))
            row.halves.append(effect.half_share)


def by_axis(kind: str, seeds: range, *, is_commanded: bool = False) -> dict[str, Row]:
    """Fly one kind and tell each mode about its own axis, and with `each fin` every fin about the roll axis."""
    rows: dict[str, Row] = {}
    for seed in seeds:
        flown = fly(seed, plan_of(kind, seed))
        modes = mode_truth(flown)
        for place, axis in enumerate(AXES):
            fit = fit_axis(heard_of(flown, axis, is_commanded=is_commanded), axis)
            if fit is None:
                continue
            note(rows.setdefault(axis, Row()), effect_of(fit, place, axis), float(modes[place, place]))
        if kind == "each fin":
            fit = fit_axis(heard_of(flown, "roll", each=True), "roll")
            for fin in range(4) if fit is not None else ():
                note(rows.setdefault("one fin, roll", Row()), effect_of(fit, fin, str(fin)), float(flown.fins_true[fin, 2]))
    return rows


TORQUES_RAD_S2 = (0.5, 1.0, 2.0, 4.0)
LOOP_HEAD = (
    "| torque, rms | flights | told | bias | median | interval held | mean half | wrong sign |\n"
    "|---|---|---|---|---|---|---|---|"
)


def closed_loop(torque_rad_s2: float, seeds: range) -> str:
    """Return the row of flights whose fins move for the roll controller only, under a torque with a memory of 0.3 s."""
    shares, held, halves, wrong = [], [], [], 0
    for seed in seeds:
        share = 0.2 + 0.4 * ((seed * 0.618) % 1.0)
        flown = fly(seed, Plan("roll", torque_rad_s2=torque_rad_s2, share=share, wind_m_s=1.0))
        true = float(mode_truth(flown)[0, 0])
        fit = fit_axis(heard_of(flown, "roll"), "roll")
        if fit is None or not isfinite(fit.value[0]):
            continue
        effect = effect_of(fit, 0, "roll")
        shares.append(effect.value / true)
        held.append(effect.low <= true <= effect.high)
        halves.append(0.5 * (effect.high - effect.low) / true)
        wrong += effect.high < 0.0
    return (
        f"| {torque_rad_s2:g} rad/s2 | {len(seeds)} | {len(shares)} | {100 * (np.mean(shares) - 1.0):+.0f} % | "
        f"{100 * (np.median(shares) - 1.0):+.0f} % | {sum(held)} of {len(held)} | {100 * np.mean(halves):.0f} % | {wrong} |"
    )


def reversals(seeds: range) -> str:
    """Return how many flights with reversed fins, moved by the loop alone, are told as reversed, and with what odds."""
    found, odds, flights = 0, [], 0
    for seed in seeds:
        share = -(0.15 + 0.5 * ((seed * 0.618) % 1.0))
        flown = fly(seed, Plan("roll", torque_rad_s2=float(TORQUES_RAD_S2[seed // 2 % 4]), share=share))
        fit = fit_axis(heard_of(flown, "roll"), "roll")
        flights += 1
        if fit is None or not isfinite(fit.value[0]):
            continue
        effect = effect_of(fit, 0, "roll", 0.39)
        found += effect.verdict == REVERSED
        odds.append(1.0 - (effect.reversed_odds or 0.0))
    return f"reversed roll: told in {found} of {flights}; the chance that it is not at most {max(1e-12, *odds):.2g}"


def side_motors(seeds: range) -> str:
    """Return how well the step of a side motor is told."""
    errors, held, off, told = [], 0, [], 0
    for seed in seeds:
        rng = np.random.default_rng([seed, 9])
        at, number = float(rng.uniform(2.2, 4.0)), int(rng.integers(1, 5))
        plan = Plan(
            "roll", torque_rad_s2=float(rng.uniform(0.2, 0.8)), fired=((at, number),), loss=float(rng.choice([0.0, 0.1]))
        )
        flown = fly(seed, plan)
        seen = (at - float(rng.uniform(0.0, 0.2)), at + float(rng.uniform(0.0, 0.2)))
        step = rate_step(heard_of(flown, "pitch"), *seen, flown.vehicle.lateral.burn_s, PLACES[number - 1])
        if step is None:
            continue
        true = step_truth(flown, number)
        told += 1
        errors.append(abs(step.along / true - 1.0))
        held += step.along_low <= true <= step.along_high
        off.append(abs(np.degrees(step.off_rad)))
    return (
        f"side motor: told in {told} of {len(seeds)}, error {100 * np.percentile(errors, 95):.1f} % (95 %), interval held "
        f"{held} of {told}, direction within {np.percentile(off, 95):.1f} degrees (95 %)"
    )


def main() -> None:
    """Print the tables of both halves."""
    flights = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    for half, first in (("odd seeds", 1), ("even seeds", 2)):
        if len(sys.argv) > 2 and sys.argv[2] not in half:
            continue
        seeds = range(first, first + 2 * flights, 2)
        if PURPOSE in sys.argv:
            print(
                "\n".join([half, HEAD, *(row.line(f"{PURPOSE}: {name}") for name, row in by_axis(PURPOSE, seeds).items())])
            )
            continue
        print(f"\n{half}\n\n{LOOP_HEAD}")
        for torque in TORQUES_RAD_S2:
            print(closed_loop(torque, seeds), flush=True)
        print(f"\n{reversals(seeds)}\n{side_motors(seeds)}", flush=True)
        if "loop" in sys.argv:
            continue
        print(f"\n{HEAD}")
        for kind in ("rest", "roll", "three axes", "each fin", PURPOSE):
            for is_commanded in (False, True):
                if is_commanded and kind != "three axes":
                    continue
                share = 4 if kind == "rest" else 2
                rows = by_axis(kind, seeds[: flights // share], is_commanded=is_commanded)
                for name, row in rows.items():
                    print(row.line(f"{kind}{', commanded' if is_commanded else ''}: {name}"), flush=True)


if __name__ == "__main__":
    main()
