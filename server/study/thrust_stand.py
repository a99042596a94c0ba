"""What a load cell on a thrust stand recorded: impulse, burn time and class of a motor, held against the sheet's curve."""

from __future__ import annotations

import numpy as np

from server.analysis.judgements.case import Case
from server.flight.airframe.thrust_curve import ThrustCurve
from server.flight.digits import Z95, with_doubt
from server.flight.weighing.motor_class import class_words
from server.flight.weighing.pendulum import Measured
from server.flight.weighing.stand import CELL_SCALE, Firing, StandProblem, firing
from server.flight.weighing.thrust_points import few_points
from server.study.study import Line, Number, Picture, Study

ROLE, SERIES = "thrust_stand.force", "thrust_stand"
SUBJECT, TITLE = "thrust-stand", "What the motor gave on the stand"
CAUTIONS = (
    "A static test is fired from afar, shielded, with nobody near and one person in charge; the range safety officer and "
    "local law decide whether at all.",
    "One motor of one day: the next of its kind may give more or less than this one by more than the doubt told here.",
)
KEPT = (
    "Of a recording without a flight only the last two minutes are looked at here; blockhouse weigh thrust reads all of it."
)
DRAWN_AT_MOST, SLOW_HZ, SOFT_PER_BURN = 400, 200.0, 20.0


def study(case: Case) -> Study:
    """Return what the stand told, or the plain reason why nothing can be told."""
    window = case.window(SERIES, -np.inf, np.inf)
    force = window[ROLE]
    if not np.isfinite(force).any():
        return Study(SUBJECT, TITLE, (f"No load cell was heard (role {ROLE}).",))
    try:
        found = firing(window.t, force)
    except StandProblem as problem:
        return Study(SUBJECT, TITLE, (str(problem), KEPT))
    motor = case.facts.configuration.motor if case.facts.configuration is not None else None
    return told(found, CELL_SCALE, None if motor is None else motor.curve)


def told(found: Firing, scale: float, declared: ThrustCurve | None = None) -> Study:
    """Return a static test as it is told; `scale` is the doubt of the cell's scale, as a share."""
    said = [
        f"Total impulse {_words(found.impulse)} N s: {class_words(found.impulse)}.",
        f"Average thrust {_words(found.mean)} N over {_words(found.burn_s)} s, from 5 % of the peak to 5 % of it; "
        f"peak {_words(found.peak)} N.",
        f"The cell showed {found.offset.begin_n:+.3g} N before ignition and {found.offset.end_n:+.3g} N after burn-out; a "
        "line between was taken off.",
        f"The curve is filtered forward and backward at {found.cutoff_hz:.3g} Hz (3 dB), which delays nothing; the greatest "
        f"sample was {found.raw_peak_n:.4g} N, and the rise from 10 to 90 % took {1000 * found.rise_s:.0f} ms "
        f"({1000 * found.raw_rise_s:.0f} ms unfiltered). The impulse is not filtered.",
    ]
    advice = []
    if found.turned:
        said.append("The force points to negative numbers and was turned.")
    if found.ringing is not None:
        rings = found.ringing
        said.append(
            f"The stand rings at {rings.frequency_hz:.3g} Hz by up to {rings.amplitude_n:.3g} N, "
            f"{100 * rings.amplitude_n / found.peak.value:.0f} % of the peak; nothing as fast as that is known to be thrust."
        )
        if rings.frequency_hz * found.burn_s.value < SOFT_PER_BURN or rings.amplitude_n > 0.2 * found.peak.value:
            advice.append(
                "Make the stand stiffer or what hangs on it lighter: it rings too slowly for this motor's peak and rise."
            )
    elif found.rate_hz < SLOW_HZ:
        advice.append(f"Sample faster than {found.rate_hz:.0f} times a second: ringing would not be seen.")
    if scale * found.impulse.value > 0.7 * found.impulse.sigma:
        advice.append(f"Most of the doubt is the cell's scale ({100 * scale:.2g} %): calibrate it with known weights.")
    if found.gap_s > 10.0 / found.rate_hz:
        said.append(f"Up to {1000 * found.gap_s:.0f} ms without a sample lie in the burn, bridged by a straight line.")
    if declared is not None:
        sentence, to_do = against(found, declared)
        said.insert(1, sentence)
        advice += to_do
    return Study(SUBJECT, TITLE, said, advice, _numbers(found), (_picture(found, declared),), CAUTIONS)


def against(found: Firing, declared: ThrustCurve) -> tuple[str, list[str]]:
    """Return how the measured impulse lies to the sheet's curve, in percent with its 95 % interval, and what to change."""
    share = 100.0 * (found.impulse.value / declared.impulse_n_s - 1.0)
    doubt = 100.0 * Z95 * found.impulse.sigma / declared.impulse_n_s
    theirs = f"the sheet's curve has {declared.impulse_n_s:.4g} N s over {declared.burn_s:.3g} s"
    if abs(share) <= doubt:
        return f"It agrees with the sheet: {theirs} ({share:+.1f} %, 95 % within {doubt:.1f} %).", []
    side = f"{abs(share):.1f} % {'weaker' if share < 0.0 else 'stronger'}"
    return (
        f"The motor is {side} than declared (95 %: {share - doubt:+.1f} to {share + doubt:+.1f} %): {theirs}.",
        ["Put the measured curve into the sheet (blockhouse weigh thrust --out) and look at rail exit and apogee again."],
    )


def shown(found: Firing) -> list[tuple[float, float]]:
    """Return the curve as a sheet keeps it: few points, the same impulse."""
    return few_points(found.t_s, found.thrust_n, found.impulse.value)


def _words(measured: Measured) -> str:
    return with_doubt(measured.value, measured.sigma)


def _number(name: str, measured: Measured, unit: str, note: str = "") -> Number:
    doubt = Z95 * measured.sigma
    return Number(name, measured.value, measured.value - doubt, measured.value + doubt, unit, note)


def _numbers(found: Firing) -> tuple[Number, ...]:
    rings = found.ringing
    numbers = [
        _number("total impulse", found.impulse, "N s"),
        _number("burn time", found.burn_s, "s", "5 % to 5 % of the peak"),
        _number("average thrust", found.mean, "N"),
        _number("peak thrust", found.peak, "N", "filtered"),
        Number("greatest sample", found.raw_peak_n, unit="N"),
        Number("rise", found.rise_s, unit="s", note="10 to 90 %, filtered"),
        Number("offset before", found.offset.begin_n, unit="N"),
        Number("offset after", found.offset.end_n, unit="N"),
        Number("cut-off", found.cutoff_hz, unit="Hz"),
        Number("samples", found.rate_hz, unit="Hz"),
    ]
    if rings is not None:
        numbers.append(
            Number("ringing of the stand", rings.frequency_hz, unit="Hz", note=f"damping about {rings.damping:.2f}")
        )
    return tuple(numbers)


def _picture(found: Firing, declared: ThrustCurve | None) -> Picture:
    every = max(1, len(found.t_s) // DRAWN_AT_MOST)
    lines = [Line("measured", found.t_s[::every].tolist(), found.thrust_n[::every].tolist())]
    t, thrust = zip(*shown(found), strict=True)
    begin = float(found.t_s[np.flatnonzero(found.thrust_n >= 0.01 * found.thrust_n.max())[0]])
    lines.append(Line("for the sheet", [one + begin for one in t], list(thrust)))
    if declared is not None:
        lines.append(Line("declared", declared.t_s.tolist(), declared.thrust_n.tolist()))
    return Picture("Thrust", "s after ignition", "N", tuple(lines))
