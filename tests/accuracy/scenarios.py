"""The right finding in every seed of every faulty scenario, and none in a calm one: `python -m tests.accuracy.scenarios`.

For each scenario the findings that must come and those that may come besides; anything else is a false alarm, and so is
any alarm or finding at all in a calm flight.
"""

from __future__ import annotations

import argparse
import sys

from server.analysis.pipeline import Output, recorded_output
from server.twin.scenarios import load_scenario, scenario_names
from tests.accuracy.random_flights import Flown, fly
from tests.server.flights import FACTS, dictionary

# A vehicle waits longer on a real pad than in a test; a gyro's drift needs this long to be known.
IGNITE_S = 40.0
MUST: dict[str, set[str]] = {
    "calm": set(),
    "gusty-rail": {"pitched_over", "control_untested"},
    "bad-number": {"bad_number"},
    "thin-link": {"thin_link"},
    "tired-battery": {"battery_tired"},
    "drifting-imu": {"unit_disagrees"},
    "reversed-roll": {"roll_reversed"},
    "cold-igniter": {"no_continuity"},
    "one-chute": {"fast_descent"},
    "loose-cable": {"servo_cable"},
}
# Alarms that must be raised besides whatever else is.
CALLED: dict[str, set[str]] = {"gusty-rail": {"rule tilt"}}
# Consequences that are true as well: a reversed roll spins up until a gyro is at its end.
MAY: dict[str, set[str]] = {"reversed-roll": {"saturated"}}


def flight(name: str, seed: int) -> Flown:
    """Fly a scenario with the waiting time of this check."""
    return fly(load_scenario(name), seed, IGNITE_S)


def found(flown: Flown) -> tuple[set[str], set[str], Output]:
    """Return keys of findings and of raised alarms."""
    output = recorded_output(dictionary(), list(flown.records), 0, FACTS)
    findings = {entry.key for entry in output.entries if entry.topic == "finding"}
    alarms = {e.key for e in output.entries if e.topic == "alarm" and e.body.get("state") == "raised"}
    return findings, alarms, output


def problems(name: str, seed: int) -> list[str]:
    """Return what is wrong with the findings of one flight."""
    findings, alarms, _ = found(flight(name, seed))
    wrong = [f"{key} is missing" for key in sorted(MUST[name] - findings)]
    wrong += [f"{key} is a false finding" for key in sorted(findings - MUST[name] - MAY.get(name, set()))]
    wrong += [f"alarm {key} is missing" for key in sorted(CALLED.get(name, set()) - alarms)]
    if not MUST[name]:
        wrong += [f"alarm {key} is false" for key in sorted(alarms)]
    return wrong


def main() -> int:
    """Print, scenario by scenario, in how many seeds all was right; exit code 1 when one was not."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=20)
    count = parser.parse_args().seeds
    bad = 0
    for name in scenario_names():
        wrong = {seed: told for seed in range(1, count + 1) if (told := problems(name, seed))}
        must = ", ".join(sorted(MUST[name])) or "nothing"
        print(f"{name}: {must} in {count - len(wrong)} of {count}", flush=True)
        for seed, told in wrong.items():
            print(f"    seed {seed}: {'; '.join(told)}", flush=True)
        bad += len(wrong)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
