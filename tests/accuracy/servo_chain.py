"""The servo chain found from telemetry against servos that are known: how often the 95 % interval holds the truth.

    python -m tests.accuracy.servo_chain [--runs 200] [--odd] [--rates 20 50 100]

Odd seeds chose `WIDEN` in `server/flight/servo/chain.py`; even ones report. Every other servo is drawn rich and
differs from what is fitted: see `servo_rig`. What is not excited is counted apart.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterator

import numpy as np

from server.flight.servo.chain import Chain, identify
from tests.accuracy.servo_rig import Heard, Servo, bench_steps, drawn, drawn_telemetry, flown, run

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


def tally(seeds: Iterator[int], rate_hz: float, way: str) -> dict[str, list[tuple[float, float, float, float]]]:
    """Return (truth, value, low, high) of every part told, by part."""
    found: dict[str, list[tuple[float, float, float, float]]] = defaultdict(list)
    for seed in seeds:
        servo, heard, chain = one(seed, rate_hz, way)
        for part, true in truth(servo, heard).items():
            told = getattr(chain, part)
            if told.value is not None and told.low is not None and told.high is not None and np.isfinite(true):
                found[part].append((true, told.value, told.low, told.high))
    return found


def rows(found: dict[str, list[tuple[float, float, float, float]]], runs: int) -> Iterator[str]:
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
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--odd", action="store_true")
    parser.add_argument("--rates", type=float, nargs="*", default=[20.0, 50.0, 100.0])
    parser.add_argument("--ways", nargs="*", default=["bench", "flight"])
    options = parser.parse_args()
    for rate in options.rates:
        for way in options.ways:
            seeds = range(1 if options.odd else 2, 2 * options.runs + 1, 2)
            print(f"{way}, {rate:g} Hz, {options.runs} runs, {'odd' if options.odd else 'even'} seeds")
            print("\n".join(rows(tally(iter(seeds), rate, way), options.runs)), flush=True)


if __name__ == "__main__":
    main()
