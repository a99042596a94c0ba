"""A step trial's servo chains: followed on the real vehicle rules, held against the sheet, in words."""

from __future__ import annotations

import json
import random
from math import radians

import pytest

from server.telemetry.conditions import Reading
from server.trials.asks import Send
from server.trials.chains import ServoLimits, chain_lines, chains_of, part_text
from server.trials.result import result_of, result_text
from server.trials.state import State
from server.trials.trial import Trial
from server.twin.sandpiper import FinNumbers
from server.twin.servos import FinServos
from tests.server.trials.test_trial import Seen
from tests.server.trials.trial_world import plan_of
from tests.server.uplink.queue_world import dictionary

STEPS = """steps = [ { follow = "fin_move", args = { fin = 1 }, over = "angle", commanded = "fin[1].commanded",
  through = [0.06, -0.06, 0.12, 0.0, -0.12, 0.24, -0.24, 0.24, -0.24, 0.12, 0.24, -0.24, 0.24, 0.0] } ]""".replace("\n ", "")
LIMITS = ServoLimits(dead_s=0.03, lag_s=0.02, rate_rad_s=radians(300.0), play_rad=radians(0.202))


class Bench:
    """Readings of the simulated vehicle's own servos, heard at 20 Hz a little late."""

    def __init__(self) -> None:
        self.servos, self.cycle = FinServos(FinNumbers(), random.Random(5)), 0
        self._heard = (0.0, 0.0, 0.0)

    def step(self) -> None:
        self.cycle += 1
        self.servos.step(0.01)
        if self.cycle % 5 == 0:
            self._heard = (0.01 * self.cycle, self.servos.commanded[0], self.servos.measured_rad()[0])

    def reading(self, role: str, now_s: float) -> Reading | None:
        sent_s, commanded, measured = self._heard
        if role.startswith("fin[1]"):
            return Reading(commanded if role.endswith("commanded") else measured, sent_s + 0.013, 0.013)
        return Reading(0.0, now_s - 0.01) if role.endswith((".armed", ".fired")) else None


def followed() -> Trial:
    """Run the steps; each command acts as soon as it is sent and is verified a moment later."""
    bench = Bench()
    trial = Trial(dictionary(), plan_of(STEPS, 1), 1, bench)
    trial.begin(0.0)
    verify_at = None
    while not trial.is_over and trial.state is not State.SAFING:
        now_s = 0.01 * bench.cycle
        for action in trial.take_actions():
            assert isinstance(action, Send)
            bench.servos.command(1, action.args["angle"])
            verify_at = now_s + 0.12
        if verify_at is not None and now_s >= verify_at:
            trial.on_command(Seen("verified", dict.fromkeys(("asked", "sent", "accepted", "verified"), now_s)), now_s)
            verify_at = None
        bench.step()
        trial.tick(0.01 * bench.cycle)
    assert trial.outcome == "passed"
    return trial


def test_a_step_trial_finds_the_servo_and_holds_it_against_the_sheet() -> None:
    trial = followed()
    chains = chains_of(trial.score, LIMITS)
    assert (
        [one["title"] for one in chains] == ["fin 1"]
        and chains[0]["reason"] == ""
        and chains[0]["rate_hz"] == pytest.approx(20.0)
    )
    parts = {part["name"]: part for part in chains[0]["parts"]}
    for name, true in (
        ("lag", 30.0),
        ("greatest rate", 401.07),
        ("backlash", 0.2005),
        ("linkage ratio", 0.985),
        ("dead time", 0.0),
    ):
        assert parts[name]["low"] - 1e-9 <= true <= parts[name]["high"] + 1e-9, name
    verdicts = {name: part["verdict"] for name, part in parts.items() if part["verdict"]}
    assert verdicts == {"dead time": "passed", "lag": "failed", "greatest rate": "passed", "backlash": "open"}
    assert chains[0]["verdict"] == "failed"
    result = result_of(trial, chains)
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    text = result_text(result)
    assert "fin 1, servo chain: FAILED against the sheet" in text and "sheet 20 ms: FAILED" in text
    assert "sheet 300 deg/s: passed" in text and "not decided" in text


def test_without_a_sheet_nothing_is_passed_or_failed_and_without_steps_nothing_is_computed() -> None:
    trial = followed()
    assert {part["verdict"] for part in chains_of(trial.score)[0]["parts"]} == {""}
    trial.score.followed = {"fin 2": ({}, {})}
    assert chain_lines(chains_of(trial.score)) == ["", "fin 2, servo chain: too little was heard of it"]
    trial.score.followed = {}
    assert chains_of(trial.score) == []


def test_a_bound_alone_can_decide() -> None:
    text = part_text(
        {
            "name": "greatest rate",
            "unit": "deg/s",
            "value": None,
            "low": 350.0,
            "high": None,
            "reason": "not excited",
            "limit": 300.0,
            "verdict": "passed",
        }  # fmt: skip
    )
    assert text == "greatest rate: not excited, above 350 deg/s; sheet 300 deg/s: passed"
