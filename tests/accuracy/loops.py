"""How well the study of the roll loop holds: answers, margins against the twin's linearization, swings found and not found.

`python -m tests.accuracy.loops [--answers N] [--margins N] [--calm N] [--swings N]` prints one table each. Tunables were
chosen on odd seeds; even ones are reported beside them.
"""

from __future__ import annotations

import argparse
import random
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import cont2discrete

from protocol.bulk import decode_stream
from server.analysis.pipeline import recorded_case
from server.flight.loop.gate_response import GateResponse
from server.flight.loop.limit_cycle import Swing, limit_cycle
from server.flight.loop.margin_curve import RollLoop, margin_curve
from server.flight.loop.roll_loop import margins
from server.flight.unmeasured import Unmeasured
from server.study.loop import ANSWER_OVER_S
from server.study.loop_data import controlled, effectiveness_of, loop_of
from server.twin import rigid_body
from server.twin.air import Air, Wind
from server.twin.flight_computer import CYCLE_S
from server.twin.motion import Motion
from server.twin.roll_control import RollControl
from server.twin.sandpiper import Vehicle, changed
from server.twin.scenario import Scenario
from server.twin.scenarios import load_scenario
from server.twin.servos import FinServos
from server.twin.twin import Twin
from tests.accuracy.random_flights import Flown, fly
from tests.server.flight.loop.test_gate_response import looped
from tests.server.flight.twin_windows import Heard
from tests.server.flights import FACTS, KEY, dictionary

Row = Sequence[object]
IGNITE_S, CLIMB_S = 6.0, 7.0  # control is over before the top, at about 8 s
DENSITY_KG_M3 = 1.08  # at the heights at which control is on
DEGREES = float(np.degrees(1.0))
SHEETS = {"right": 0.0, "wrong by up to a fifth": 1.0}


# ---------------------------------------------------------------- the twin's own loop, linearized by differences


@dataclass(frozen=True)
class TrueMargins:
    """Gain margin (dB), phase margin (rad), crossover (rad/s)."""

    gain_db: float
    phase_rad: float
    crossover_rad_s: float


def true_margins(
    vehicle: Vehicle, motion: Motion, pressure_pa: float, density: float = DENSITY_KG_M3, steps: bool = False
) -> TrueMargins:
    """Return the margins of the twin's roll loop at a dynamic pressure, from its own modules by numerical differences.

    The roll moment from `rigid_body.derivative`, the law from `RollControl.step`, the servo's lag: sampled, held and
    measured each cycle by scipy's `cont2discrete`, its frequency response taken on the unit circle; nothing of
    `server.flight.loop` is used. With `steps` the servo is the twin's own `FinServos.step`, which has moved already when the
    cycle ends: a little early, and at half the sampling frequency it follows as no real servo does, so that its gain margin
    (37 dB and more) is none of a vehicle.
    """
    b_q, damping = roll_plant(motion, pressure_pa, density)
    angle_gain, rate_gain = law_gains(vehicle, motion, pressure_pa)
    lag = vehicle.fins.servo_lag_s
    # angle, rate, fin; the input is the command, or the fin itself where the servo has moved.
    free = np.array([[0.0, 1.0, 0.0], [0.0, -damping, b_q], [0.0, 0.0, -1.0 / lag]])
    push = np.array([[0.0], [0.0], [1.0 / lag]])
    if steps:
        free, push = free[:2, :2], np.array([[0.0], [b_q]])
    look = np.array([[angle_gain, rate_gain, 0.0]])[:, : len(free)]
    step, pushed, *_ = cont2discrete((free, push, look, np.zeros((1, 1))), CYCLE_S)
    omega = np.geomspace(0.2, np.pi / CYCLE_S, 6_000)
    z = np.exp(1j * omega * CYCLE_S)
    states = np.linalg.solve(z[:, None, None] * np.eye(len(free)) - step, np.broadcast_to(pushed, (z.size, *pushed.shape)))
    response = (look @ states)[:, 0, 0]
    if steps:
        stays = 1.0 - servo_share(vehicle)
        response = response * (1.0 - stays) * z / (z - stays)
    size, turned = np.abs(response), np.unwrap(np.angle(response))
    turned -= 2.0 * np.pi * np.round((turned[0] + 0.75 * np.pi) / (2.0 * np.pi))
    at = int(np.argmax(size < 1.0))
    crossing = np.flatnonzero((turned[:-1] > -np.pi) & (turned[1:] <= -np.pi))
    gain_db = -20.0 * np.log10(size[crossing[-1]]) if crossing.size else np.inf
    return TrueMargins(float(gain_db), float(np.pi + turned[at]), float(omega[at]))


def roll_plant(motion: Motion, pressure_pa: float, density: float) -> tuple[float, float]:
    """Return roll acceleration per fin turn (rad/s2 per rad) and per roll rate (1/s, positive damps) by differences."""
    speed = np.sqrt(2.0 * pressure_pa / density)
    point = motion.mass_point(60.0)

    def turning(fin: float, rate: float) -> float:
        state = (0.0, 0.0, 500.0, 0.0, 0.0, speed, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, rate)
        push = rigid_body.fin_push((fin, fin, fin, fin), motion.aero)
        return rigid_body.derivative(state, point, motion.aero, density, (0.0, 0.0, 0.0), push, False)[12]

    small = 1e-4
    return (turning(small, 0.0) - turning(-small, 0.0)) / (2 * small), -(turning(0.0, small) - turning(0.0, -small)) / (
        2 * small
    )


def servo_share(vehicle: Vehicle) -> float:
    """Return the share of a small way that a servo goes in one cycle."""
    plain = replace(vehicle.fins, backlash_rad=0.0, linkage_ratio=(1.0,) * 4, linkage_offset_rad=(0.0,) * 4)
    servos = FinServos(plain, random.Random(1))
    servos.command_all(1e-3)
    servos.step(CYCLE_S)
    return servos.angles_rad[0] / 1e-3


def law_gains(vehicle: Vehicle, motion: Motion, pressure_pa: float) -> tuple[float, float]:
    """Return the twin's law by differences: fin per angle and per rate, positive against the roll."""
    law = RollControl(vehicle.control, motion.aero.roll_coefficient_per_pa_rad(vehicle.body.roll_inertia_kg_m2))
    law.read_gate(1e3, 1e3, True)
    law.step(True, (1.0, 0.0, 0.0, 0.0), 0.0, pressure_pa)
    small = 1e-4
    turned = (np.cos(small / 2), 0.0, 0.0, np.sin(small / 2))
    angle = -law.step(True, turned, 0.0, pressure_pa) / small
    return angle, -law.step(True, (1.0, 0.0, 0.0, 0.0), small, pressure_pa) / small


# ---------------------------------------------------------------- flights


def loop_changes(seed: int) -> dict[str, object]:
    """Return the numbers of one flight: another law, servo, fins, wind, noise, loss."""
    rng = random.Random(f"loops {seed}")
    loss = rng.uniform(0.0, 0.1)
    return {
        "control.roll_bandwidth_rad_s": rng.uniform(4.0, 11.0),
        "control.roll_damping": rng.uniform(0.5, 1.0),
        "fins.servo_lag_s": rng.uniform(0.02, 0.06),
        "fins.effectiveness": 0.25 * rng.uniform(0.6, 1.4),
        "fins.misalignment_rad": rng.choice((-1.0, 1.0)) * rng.uniform(0.1, 0.4) * np.pi / 180.0,
        "wind.speed_at_10_m_m_s": rng.uniform(0.0, 3.0),
        "wind.turbulence_m_s": rng.uniform(0.1, 0.5),
        "rail.tilt_deg": rng.uniform(0.0, 3.0),
        "radio.down.leave_burst": 0.25,
        "radio.down.loss_in_burst": 1.0,
        "radio.down.enter_burst": 0.25 * loss / (1.0 - loss),
        "radio.down.loss_outside": 0.0,
    }


def declared(flown: Flown, wrong: float) -> dict[str, float]:
    """Return what a sheet says: the law's gains with the authority the firmware believes in, servo lag and damping.

    With `wrong` 1 the last two as somebody measured them: wrong by up to a fifth and a third.
    """
    vehicle = flown.vehicle
    rng = random.Random(f"sheet {flown.seed}")
    believed = abs(flown.motion.aero.roll_coefficient_per_pa_rad(vehicle.body.roll_inertia_kg_m2))
    control = vehicle.control
    damping = roll_plant(flown.motion, 1000.0, DENSITY_KG_M3)[1] / np.sqrt(1000.0)
    return {
        "roll_angle_gain": control.roll_bandwidth_rad_s**2 / (believed * 1000.0),
        "roll_rate_gain_s": 2.0 * control.roll_damping * control.roll_bandwidth_rad_s / (believed * 1000.0),
        "servo_lag_s": vehicle.fins.servo_lag_s * (1.0 + wrong * rng.uniform(-0.2, 0.2)),
        "roll_damping_per_root_pa": damping * (1.0 + wrong * rng.uniform(-0.3, 0.3)),
    }


def flown_with(changes: Mapping[str, object], seed: int) -> Flown:
    """Fly the calm day with some numbers changed."""
    return replace(fly(Scenario("loop", "a roll loop", dict(changes)), seed), seed=seed)  # type: ignore[arg-type]


def loops_of_flight(flown: Flown) -> dict[str, RollLoop | Unmeasured]:
    """Return what the study makes of a flight, with each of `SHEETS`."""
    case = recorded_case(dictionary(), list(flown.records), 0, FACTS)
    span = controlled(case)
    effectiveness = span if isinstance(span, Unmeasured) else effectiveness_of(case, span)
    if isinstance(effectiveness, Unmeasured):
        return dict.fromkeys(SHEETS, effectiveness)
    return {name: loop_of(replace(FACTS, **declared(flown, wrong)), effectiveness) for name, wrong in SHEETS.items()}


def swing_of_flight(changes: Mapping[str, object], seed: int) -> Swing | Unmeasured:
    """Return what is found swinging in a flight, from the packets themselves as `study.loop_data` cuts them."""
    calm = load_scenario("calm")
    scenario = Scenario("loop", "a roll loop", {**calm.changes, **changes})  # type: ignore[dict-item]
    twin = Twin(scenario=scenario, seed=seed, dictionary=dictionary(), key=KEY, boot_id=3, ignite_after_s=IGNITE_S)
    stream = b"".join(twin.advance(0.5 * half) for half in range(1, round(2.0 * (IGNITE_S + CLIMB_S)) + 1))
    flown = Heard(twin, twin.truth(), decode_stream(dictionary(), stream))
    t, enabled = flown.columns("control", "enabled")
    on = t[enabled > 0.5]
    if on.size < 2:
        return Unmeasured("control was never on")
    rates = [flown.columns("navigation", "rate_z"), *(flown.columns(f"imu_{unit}", "gyro_z") for unit in "ab")]
    fin_t, *fins = flown.columns("fins", *(f"fin_{number}_measured" for number in (1, 2, 3, 4)))
    opened_s = 0.5 * float(on[0] + t[t < on[0]].max())
    return limit_cycle(
        [(at, rate) for at, rate in rates], (fin_t, np.mean(fins, axis=0)), opened_s + ANSWER_OVER_S, float(on[-1])
    )


# ---------------------------------------------------------------- tables


@dataclass(frozen=True)
class MarginError:
    """One flight at one dynamic pressure: told and true, dB and degrees, and whether the interval held."""

    pressure_pa: float
    gain: tuple[float, float, bool]
    phase: tuple[float, float, bool]


def margin_errors(seed: int) -> dict[str, list[MarginError]]:
    """Compare at both ends and the middle of what was excited, with each of `SHEETS`; a flight that tells none has none."""
    flown, out = flown_with(loop_changes(seed), seed), {}
    for name, loop in loops_of_flight(flown).items():
        out[name] = [] if isinstance(loop, Unmeasured) else errors_of(loop, flown)
    return out


def errors_of(loop: RollLoop, flown: Flown) -> list[MarginError]:
    """Return the errors of one loop."""
    held = loop.effectiveness
    q = np.array([held.from_pa, np.sqrt(held.from_pa * held.to_pa), held.to_pa])
    curve, out = margin_curve(loop, q), []
    for i, pressure in enumerate(q):
        true = true_margins(flown.vehicle, flown.motion, float(pressure))
        pair = []
        for band, value, scale in ((curve.gain_db, true.gain_db, 1.0), (curve.phase_rad, true.phase_rad, DEGREES)):
            holds = bool(band.low[i] <= value <= band.high[i])
            pair.append((scale * float(band.value[i]), scale * value, holds))
        out.append(MarginError(float(pressure), *pair))
    return out


def halves(seeds: Iterable[int]) -> dict[str, list[int]]:
    """Return the seeds by half."""
    listed = list(seeds)
    return {"odd, choosing": [n for n in listed if n % 2], "even, reported": [n for n in listed if n % 2 == 0]}


def answer_rows(count: int) -> list[Row]:
    """Return by half and figure: errors (95 %), coverage, n."""
    rows: list[Row] = []
    for half, seeds in halves(range(count)).items():
        errors: dict[str, list[tuple[float, bool]]] = {}
        for seed in seeds:
            found, truth = looped(5000 + seed, (0.1, 0.3, 1.0)[seed // 2 % 3])
            for name, true in truth.items() if isinstance(found, GateResponse) else ():
                one = getattr(found, name)
                errors.setdefault(name, []).append((abs(one.value - true), one.low <= true <= one.high))
        for name, some in errors.items():
            size, held = zip(*some, strict=True)
            rows.append((half, name, f"{np.quantile(size, 0.95):.3g}", f"{100 * np.mean(held):.0f} % of {len(some)}"))
    return rows


def margin_rows(count: int) -> list[Row]:
    """Return by half, sheet and margin: flights told, errors, share within 10 %, coverage."""
    rows: list[Row] = []
    for half, seeds in halves(range(1, count + 1)).items():
        told = [margin_errors(seed) for seed in seeds]
        for sheet in SHEETS:
            flights = f"{sum(bool(one[sheet]) for one in told)} of {len(seeds)}"
            for name in ("gain", "phase"):
                pairs = [getattr(error, name) for one in told for error in one[sheet]]
                share = np.array([abs(value / true - 1.0) for value, true, _ in pairs])
                held = f"{100 * np.mean([held for _, _, held in pairs]):.0f} % of {len(pairs)}"
                sizes = (f"{100 * one:.1f} %" for one in (np.median(share), np.quantile(share, 0.95)))
                rows.append((half, sheet, name, flights, *sizes, f"{100 * np.mean(share <= 0.1):.0f} %", held))
    return rows


@dataclass(frozen=True)
class ModelError:
    """The formulas beside the sampled loop, every number known: dB and degrees, (told, true); and with the twin's servo."""

    seed: int
    pressure_pa: float
    gain: tuple[float, float]
    phase: tuple[float, float]
    stepped_phase_deg: float


def model_error(seed: int, pressure_pa: float) -> ModelError:
    """Compare for the vehicle of a seed, which need not fly for it."""
    vehicle = changed(Vehicle(), loop_changes(seed))  # type: ignore[arg-type]
    motion = Motion(vehicle, Air(vehicle.site), Wind(vehicle.wind, random.Random(1)))
    true, stepped = (true_margins(vehicle, motion, pressure_pa, steps=steps) for steps in (False, True))
    b_q, damping = roll_plant(motion, pressure_pa, DENSITY_KG_M3)
    angle, rate = law_gains(vehicle, motion, pressure_pa)
    found = margins(b_q * rate, angle / rate, damping, vehicle.fins.servo_lag_s, 0.5 * CYCLE_S)
    phase = DEGREES * float(found.phase_rad), DEGREES * true.phase_rad
    return ModelError(seed, pressure_pa, (float(found.gain_db), true.gain_db), phase, DEGREES * stepped.phase_rad)


def model_rows() -> list[Row]:
    """Return how far the formulas are from the sampled loop when every number is known, over laws and servos."""
    errors = [model_error(seed, pressure) for seed in range(1, 7) for pressure in (300.0, 1500.0)]
    return [
        (one.seed, one.pressure_pa, *(f"{x:.1f}" for x in (*one.gain, *one.phase, one.stepped_phase_deg))) for one in errors
    ]


SWINGING: Mapping[str, Mapping[str, object]] = {
    "play 1.1 deg, w 14": {"fins.backlash_rad": 0.02, "control.roll_bandwidth_rad_s": 14.0},
    "play 1.7 deg, w 18": {"fins.backlash_rad": 0.03, "control.roll_bandwidth_rad_s": 18.0},
    "play 1.1 deg, w 25": {"fins.backlash_rad": 0.02, "control.roll_bandwidth_rad_s": 25.0},
    "servo 60 ms, w 16": {"fins.backlash_rad": 0.01, "fins.servo_lag_s": 0.06, "control.roll_bandwidth_rad_s": 16.0},
}


def calm_changes(seed: int) -> dict[str, object]:
    """Return a flight like any other: the declared law with fins that do 0.6 to 1.4 of what it believes, wind, loss."""
    known = loop_changes(seed)
    kept = ("fins.misalignment_rad", "wind.", "rail.", "radio.")
    return {name: value for name, value in known.items() if name.startswith(kept)}


def swing_rows(calm: int, swings: int) -> Iterator[Row]:
    """Return how often a swing was found, by half: in calm flights (none is there) and in swinging ones."""
    kinds: dict[str, tuple[int, Callable[[int], dict[str, object]]]] = {"calm": (calm, calm_changes)}
    for name, changes in SWINGING.items():
        kinds[name] = (swings, lambda seed, changes=changes: {**calm_changes(seed), **changes})  # type: ignore[misc]
    for name, (count, made) in kinds.items():
        for half, seeds in halves(range(1, count + 1)).items():
            found = [swing_of_flight(made(seed), seed) for seed in seeds]
            told = [one for one in found if isinstance(one, Swing)]
            swinging = [one for one in told if one.is_limit_cycle]
            hz = f"{np.median([one.frequency_hz for one in swinging]):.2f}" if swinging else ""
            fins = f"{np.degrees(np.median([one.fin_rad for one in swinging])):.2f}" if swinging else ""
            chances = [one.chance for one in told if one.fin_chance < 1e-2]
            least = f"{min(chances):.1e}" if chances else ""
            most = f"{max(chances):.1e}" if chances else ""
            yield (name, half, f"{len(told)} of {len(seeds)}", f"{len(swinging)}", hz, fins, least, most)


def show(title: str, head: Row, rows: Iterable[Row]) -> None:
    """Print a table."""
    print(f"\n{title}\n\n| {' | '.join(map(str, head))} |\n|{'---|' * len(head)}", flush=True)
    for row in rows:
        print(f"| {' | '.join(map(str, row))} |", flush=True)


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser()
    for name, count in (("answers", 60), ("margins", 40), ("calm", 120), ("swings", 16)):
        parser.add_argument(f"--{name}", type=int, default=count)
    asked = parser.parse_args()
    if asked.answers:
        show("Answers at the gate", ("half", "figure", "error 95 % (SI)", "interval held"), answer_rows(asked.answers))
    if asked.margins:
        head = ("flight", "Pa", "gain dB", "true", "phase deg", "true", "with the twin's servo")
        show("The formulas against the twin's sampled loop, all numbers known", head, model_rows())
        head = ("half", "sheet", "margin", "told", "error, median", "95 %", "within 10 %", "interval held")
        show("Margins of whole flights against the twin's linearization", head, margin_rows(asked.margins))
    if asked.calm or asked.swings:
        head = ("flights", "half", "told", "swing found", "Hz", "fins deg", "least chance", "most chance")
        show("Swings", head, swing_rows(asked.calm, asked.swings))


if __name__ == "__main__":
    main()
