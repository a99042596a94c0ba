"""What telemetry says of armed and fired channels: odd ones, and the proof that all is safe."""

from __future__ import annotations

import pytest

from server.telemetry.conditions import Reading
from server.trials.watch import Watch
from tests.server.trials.trial_world import ARM_SAFE, plan_of
from tests.server.uplink.queue_world import dictionary

NOW_S = 100.0


class Said:
    """Readings by role; what is not named is zero, and as old as told."""

    def __init__(self, age_s: float = 0.1, **values: float) -> None:
        self.age_s, self.values = age_s, {"board.inhibited": 1.0, "vehicle_phase": 1.0}

    def say(self, role: str, value: float) -> Said:
        self.values[role] = value
        return self

    def reading(self, role: str, now_s: float) -> Reading | None:
        return Reading(self.values.get(role, 0.0), now_s - self.age_s)


def watch(said: Said) -> Watch:
    return Watch(dictionary(), said)


def test_every_lateral_and_recovery_channel_is_watched() -> None:
    kinds = watch(Said()).kinds
    assert {role for role in kinds if role.startswith("channel")} == {
        f"channel[{n}].{kind}" for n in (1, 2, 3, 4) for kind in ("armed", "fired")
    }
    assert {role for role in kinds if role.startswith("recovery")} == {
        f"recovery[{n}].{kind}" for n in (1, 2) for kind in ("armed", "fired")
    }


def test_what_is_armed_or_fired_is_odd_unless_allowed() -> None:
    said = Said().say("recovery[2].armed", 1.0)
    assert watch(said).odd((), NOW_S) == "recovery[2].armed: telemetry shows it, the plan did not ask for it"
    assert watch(said).odd({"recovery[2].armed"}, NOW_S) is None
    assert watch(Said()).odd((), NOW_S) is None
    assert watch(Said().say("channel[1].fired", float("nan"))).odd((), NOW_S) is not None, "what is no number is not zero"


def test_what_was_fired_before_is_found() -> None:
    said = Said().say("channel[4].fired", 1.0).say("channel[3].armed", 1.0)
    assert watch(said).fired(NOW_S) == {"channel[4].fired"}


def test_a_step_allows_what_its_effects_set() -> None:
    _, arm, safe = plan_of(ARM_SAFE).variants[0].steps
    assert watch(Said()).set_by(arm, 1.0) == {"channel[1].armed"}
    assert watch(Said()).set_by(arm, 0.0) == set()
    assert watch(Said()).set_by(safe, 0.0) == {"channel[1].armed"}


@pytest.mark.parametrize(
    ("said", "after_s", "safe"),
    [
        (Said(), 99.0, True),
        (Said(), 99.95, False),  # nothing has arrived since
        (Said(age_s=3.0), 90.0, False),  # too old to count
        (Said().say("channel[2].armed", 1.0), 99.0, False),
        (Said().say("recovery[1].armed", 1.0), 99.0, False),
        (Said().say("channel[2].armed", float("nan")), 99.0, False),
        (Said().say("board.inhibited", 0.0), 99.0, False),
        (Said().say("channel[1].fired", 1.0), 99.0, True),  # what has burned stays burned
    ],
)
def test_safe_is_what_fresh_telemetry_shows(said: Said, after_s: float, safe: bool) -> None:
    assert watch(said).all_safe(after_s, NOW_S) is safe


def test_heard_after() -> None:
    assert watch(Said()).heard_after("channel[1].armed", 99.8, NOW_S)
    assert not watch(Said()).heard_after("channel[1].armed", 99.9, NOW_S)
