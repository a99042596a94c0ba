"""The servo chain found from telemetry against servos that are known: how often the 95 % interval holds the truth.

    python -m tests.accuracy.servo_chain [--runs 100] [--odd] [--minutes 60] [--rates 20 50 100]

Odd seeds chose `WIDEN` in `server/flight/servo/chain.py`; even ones report. Every other servo is drawn rich and
differs from what is fitted: see `servo_rig`. What is not excited is counted apart.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Iterator
from itertools import product

import numpy as np

from server.flight.servo.chain import Chain, identify
from tests.accuracy.servo_rig import Heard, Servo, bench_steps, drawn, drawn_telemetry, flown, run

Found = dict[str, list[tuple[float, float, float, float]]]
"""By part: truth, value, low, high of each run that told it."""
PARTS = ("ratio", "offset", "play", "dead_s", "lag_s", "delay_s", "rate")


def one(seed: int, rate_hz: float, way: str) -> tuple[Servo, Heard, Chain]:
    """Return a servo, what was heard of it, and what was found, for one seed."""
    rng = np.random.default_rng([seed, int(rate_hz), way == "bench"])
    rich = seed % 4 < 2
    servo, telemetry = drawn(rng, rich), drawn_telemetry(rng, rate_hz, rich)
    command = bench_steps(rng) if way == "bench" else flown(rng, float(rng.choice([0.005, 0.01, 0.02])))
    if way == "calm":
        command = np.zeros(8000) + 1e-4 * np.round(rng.standard_normal(8000))
    heard = run(servo, telemetry, command, rng)
    return servo, heard, identify(heard.commanded, heard.measured)


def truth(servo: Servo, heard: Heard) -> dict[str, float]:
    """Return what each part should be; a dead band acts as play, a sagging rate as its mean at the limit."""
    return {
        "ratio": servo.ratio,
        "offset": servo.offset,
        "play": servo.play + 2.0 * servo.band,
        "dead_s": servo.dead_s,
        "lag_s": servo.lag_s,
        "delay_s": servo.dead_s + servo.lag_s,
        "rate": heard.rate,
    }


def note(found: Found, servo: Servo, heard: Heard, chain: Chain) -> None:
    """Add (truth, value, low, high) of every part told."""
    for part, true in truth(servo, heard).items():
        told = getattr(chain, part)
        if told.value is not None and told.low is not None and told.high is not None and np.isfinite(true):
            found[part].append((true, told.value, told.low, told.high))


def rows(found: Found, runs: int) -> Iterator[str]:
    """Yield a line for each part."""
    for part in PARTS:
        table = np.array(found.get(part, [])).reshape(-1, 4)
        if not len(table):
            yield f"    {part:8} told in 0 of {runs}"
            continue
        true, value, low, high = table.T
        held = np.mean((low - 1e-9 <= true) & (true <= high + 1e-9))
        half, error = np.median(high - low) / 2.0, np.median(np.abs(value - true))
        medians = f"median half width {half:.4f}, error {error:.4f}"
        yield f"    {part:8} held {100 * held:5.1f} % of n {len(table):3}  {medians}"


def main() -> None:
    """Print the tables: seed by seed through all rates and ways, until the runs or the minutes are over."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=100, help="of each rate and way")
    parser.add_argument("--odd", action="store_true", help="the seeds that constants are chosen on")
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--rates", type=float, nargs="*", default=[20.0, 50.0, 100.0])
    parser.add_argument("--ways", nargs="*", default=["bench", "flight"])
    options = parser.parse_args()
    cases = list(product(options.rates, options.ways))
    found: dict[tuple[float, str], Found] = {case: defaultdict(list) for case in cases}
    runs, until = 0, time.monotonic() + 60.0 * options.minutes
    for seed in range(1 if options.odd else 2, 2 * options.runs + 1, 2):
        for rate_hz, way in cases:
            note(found[rate_hz, way], *one(seed, rate_hz, way))
        runs += 1
        if time.monotonic() > until:
            break
    seeds = "odd" if options.odd else "even"
    for (rate_hz, way), told in found.items():
        print(f"{way}, {rate_hz:g} Hz, {runs} runs, {seeds} seeds", *rows(told, runs), sep="\n")
    together: Found = defaultdict(list)
    for told in found.values():
        for part, values in told.items():
            together[part] += values
    print(f"all, {runs * len(cases)} runs", *rows(together, runs * len(cases)), sep="\n")


if __name__ == "__main__":
    main()
