"""Faults of permits: the two acts for a written plan, what it may send, and what ends it."""

from __future__ import annotations

from tests.mutation.fault import DESK, PERMITS, QUEUE, TABLE, TWO_ACTS, fault

PERMIT_FAULTS = (
    # ---- permits: two acts for a written plan
    fault("a slot of a plan is used for ever", "permit_desk", (PERMITS, "        self.left[wanted] -= 1\n", "")),
    fault(
        "a plan takes any arguments",
        "permit_desk",
        (PERMITS, "tuple(sorted((name, float(value)) for name, value in args.items()))", "()"),
    ),
    fault(
        "a plan sends what it does not hold",
        "permit_desk",
        (PERMITS, "self.state is not PermitState.OPEN or self.left[wanted] <= 0", "self.state is not PermitState.OPEN"),
    ),
    fault(
        "an armed plan is open",
        "permit_desk",
        (DESK, "permit = self.get(id, PermitState.OPEN)", "permit = self.get(id)"),
        (PERMITS, "if self.state is not PermitState.OPEN or self", "if self"),
    ),
    fault(
        "an ended plan is still sent from",
        "permit_desk",
        (
            DESK,
            "permit.id != id or permit.state is PermitState.ENDED:\n            return None\n",
            "permit.id != id:\n            return None\n",
        ),
        (DESK, "return permit if state in (None, permit.state) else None", "return permit"),
        (PERMITS, "if self.state is not PermitState.OPEN or self", "if self"),
    ),
    fault(
        "a plan is confirmed at once", "permit_desk", (TWO_ACTS, "if now_s - first.at_s < CONFIRM_EARLIEST_S:", "if False:")
    ),
    fault(
        "an armed plan never expires",
        "permit_desk",
        (DESK, "permit.state is PermitState.ARMED and permit.first.is_over(now_s)", "False"),
    ),
    fault(
        "an idle plan never ends",
        "permit_desk",
        (DESK, "permit.state is PermitState.OPEN and now_s - permit.since_s > IDLE_AT_MOST_S", "False"),
    ),
    fault(
        "confirming a plan does not let time pass first",
        "permit_desk",
        (
            DESK,
            "        self._let_time_pass(now_s)\n        permit = self.get(id, PermitState.ARMED)",
            "        permit = self.get(id, PermitState.ARMED)",
        ),
    ),
    fault(
        "sending under a plan does not let time pass first",
        "permit_desk",
        (
            DESK,
            "        self._let_time_pass(now_s)\n        permit = self.get(id, PermitState.OPEN)",
            "        permit = self.get(id, PermitState.OPEN)",
        ),
    ),
    fault(
        "anybody may confirm a plan",
        "permit_desk",
        (DESK, "wrong = self._two_acts.why_not(permit.first, operator, now_s)", "wrong = None"),
    ),
    fault(
        "a disarming event leaves the plan open", "permit_desk", (QUEUE, "        self.permits.end_all(why, now_s)\n", "")
    ),
    fault(
        "a plan needs no ground test",
        "permit_desk",
        (DESK, "return () if condition is None else (condition,)", "return ()"),
        (DESK, "        if not self.conditions():\n", "        if False:\n"),
    ),
    fault(
        "ground test is not looked at when a planned command is sent",
        "permit_desk",
        (
            DESK,
            "conditions = (*self._table.interlocks(command), *self.conditions())",
            "conditions = self._table.interlocks(command)",
        ),
    ),
    fault(
        "ground test is not looked at once more at the moment of sending",
        "permit_desk",
        (QUEUE, "conditions = (*conditions, *self.permits.conditions())", "pass"),
    ),
    fault(
        "a planned command skips its own interlocks",
        "permit_desk",
        (
            DESK,
            "conditions = (*self._table.interlocks(command), *self.conditions())",
            "conditions = self.conditions()",
        ),
        (
            QUEUE,
            "        conditions = self._table.interlocks(entry.command)\n        if",
            "        conditions = ()\n        if",
        ),
    ),
    fault(
        "a plan is confirmed although the vehicle left ground test",
        "permit_desk",
        (
            DESK,
            "        unmet = first_unmet([*checks, *self._trips.checks(now_s)])\n        if unmet:\n"
            '            return Reply(False, f"not started',
            '        unmet = None\n        if unmet:\n            return Reply(False, f"not started',
        ),
    ),
    fault(
        "a person arms beside a running plan",
        "permit_desk",
        (
            QUEUE,
            "busy = self._table.why_not_alone(described) or self.permits.why_busy()\n        if",
            "busy = self._table.why_not_alone(described)\n        if",
        ),
    ),
    fault(
        "two plans at a time",
        "permit_desk",
        (DESK, "self._problem(allowed) or self.why_busy()", "self._problem(allowed)"),
    ),
    fault(
        "a plan may be armed by anybody",
        "permit_desk",
        (DESK, "self._table.why_not_now(operator) or self._table.why_not_alone(None)", "self._table.why_not_alone(None)"),
    ),
    fault(
        "a plan may hold safe all",
        "permit_desk",
        (DESK, "if described is None or described.safes_all:", "if described is None:"),
    ),
    fault(
        "ending a plan leaves its waiting command",
        "permit_desk",
        (TABLE, "if entry.permit == permit and entry.state in UNSENT:", "if False:"),
    ),
    fault(
        "progress does not keep a plan open",
        "permit_desk",
        (PERMITS, "        self.left[wanted] -= 1\n        self.since_s = now_s\n", "        self.left[wanted] -= 1\n"),
    ),
)
