"""The plans that are armed or running: one at a time, from the person's first act to the end. Pure; time is an argument.

The command queue asks here whether a plan is in the way, whether a command belongs to an open plan, and tells it the
time and the events that end everything.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from protocol.commands import Condition
from protocol.dictionary import Dictionary
from protocol.errors import ValueRefused
from server.telemetry.conditions import Check, Readings, check_conditions
from server.uplink.command_entry import Reply
from server.uplink.permits import IDLE_AT_MOST_S, PermitEvent, PermitState, PermitView, PlanPermit, slots_of
from server.uplink.two_acts import CONFIRM_LATEST_S, TwoActs

PERMIT_INTERLOCK = "ground_test"
Plan = Sequence[tuple[str, Mapping[str, float]]]


class PermitDesk:
    """Keeps the newest permit. `tell` is called with a permit's view whenever it looks different."""

    def __init__(
        self, dictionary: Dictionary, readings: Readings, two_acts: TwoActs, tell: Callable[[PermitView], None]
    ) -> None:
        self._dictionary = dictionary
        self._readings = readings
        self._two_acts = two_acts
        self._tell = tell
        self._newest: PlanPermit | None = None

    def arm(self, id: str, title: str, allowed: Plan, operator: str, now_s: float) -> Reply:
        """Arm a plan; the caller has checked authority and that nothing else is under way."""
        problem = self._problem(allowed) or self.why_busy()
        if problem:
            return Reply(False, problem)
        checks = check_conditions(self._dictionary, self._general_conditions(allowed), {}, self._readings, now_s)
        unmet = _first_unmet(checks)
        if unmet:
            return Reply(False, f"not ready: {unmet}", None, tuple(checks))
        first = self._two_acts.first(operator, self._hazard(allowed), now_s)
        permit = PlanPermit(id, title, first, slots_of(allowed), now_s)
        self._newest = permit
        self._changed(permit)
        return Reply(True, f"{title} is ready, confirm within {CONFIRM_LATEST_S:.0f} s", id, tuple(checks))

    def confirm(self, permit: PlanPermit, operator: str, now_s: float) -> Reply:
        """Open an armed plan."""
        wrong = self._two_acts.why_not(permit.first, operator, now_s)
        if wrong:
            return Reply(False, wrong)
        unmet = _first_unmet(check_conditions(self._dictionary, self.conditions(), {}, self._readings, now_s))
        if unmet:
            return Reply(False, f"not started: {unmet}", permit.id)
        permit.confirmed_s, permit.confirmed_by = now_s, operator
        permit.apply(PermitEvent.CONFIRM, now_s)
        self._changed(permit)
        return Reply(True, f"{permit.title} confirmed", permit.id)

    def get(self, id: str, state: PermitState | None = None) -> PlanPermit | None:
        """Return the permit of that number if it has not ended (and stands in `state`, where one is asked for)."""
        permit = self._newest
        if permit is None or permit.id != id or permit.state is PermitState.ENDED:
            return None
        return permit if state in (None, permit.state) else None

    def why_not_open(self, id: str) -> str:
        """Return why nothing can be sent under that number."""
        permit = self._newest
        if permit is None or permit.id != id or permit.state is PermitState.ARMED:
            return "the plan is not open"
        return f"the plan has ended: {permit.reason}"

    def why_busy(self) -> str | None:
        """While a plan is armed or runs, no person arms anything beside it."""
        permit = self._newest
        if permit is None or permit.state is PermitState.ENDED:
            return None
        return f"{permit.title} is {'armed' if permit.state is PermitState.ARMED else 'running'}; end it first"

    def end(self, id: str, why: str, now_s: float) -> None:
        """End the permit of that number."""
        permit = self.get(id)
        if permit is not None and permit.apply(PermitEvent.END, now_s, why):
            self._changed(permit)

    def end_all(self, why: str, now_s: float) -> None:
        """A disarming event ends whatever is armed or running."""
        if self._newest is not None:
            self.end(self._newest.id, why, now_s)

    def tick(self, now_s: float) -> None:
        """Let time pass."""
        permit = self._newest
        if permit is None:
            return
        if permit.state is PermitState.ARMED and permit.first.is_over(now_s):
            self.end(permit.id, "not confirmed in time", now_s)
        elif permit.state is PermitState.OPEN and now_s - permit.since_s > IDLE_AT_MOST_S:
            self.end(permit.id, "nothing happened for too long", now_s)

    def conditions(self) -> tuple[Condition, ...]:
        """Return what must hold for every command of any plan, above its own interlocks."""
        condition = self._dictionary.interlocks.get(PERMIT_INTERLOCK)
        return () if condition is None else (condition,)

    def view(self, id: str) -> PermitView | None:
        """Return how the permit of that number looks now, or None when there is none."""
        permit = self._newest
        return None if permit is None or permit.id != id else permit.view()

    def _problem(self, allowed: Plan) -> str | None:
        try:
            slots_of(allowed)
            for command, args in allowed:
                described = self._dictionary.commands.get(command)
                if described is None or described.safes_all:
                    return f"a plan cannot hold '{command}'"
                described.pack_args(args)
        except (ValueRefused, ValueError, TypeError) as error:
            return str(error)
        if not self.conditions():
            return f"the dictionary has no interlock '{PERMIT_INTERLOCK}', which a plan needs"
        return None

    def _hazard(self, allowed: Plan) -> str:
        hazards = {self._dictionary.commands[command].hazard for command, _ in allowed}
        return next(hazard for hazard in ("hazardous", "guarded", "routine") if hazard in hazards)

    def _general_conditions(self, allowed: Plan) -> tuple[Condition, ...]:
        """Return the interlocks that no step of the plan can bring about: those of the link and of the whole vehicle.

        Those of single channels are looked at when each command is sent.
        """
        general = {condition.name: condition for condition in self.conditions()}
        for command, _ in allowed:
            for condition in self._dictionary.commands[command].interlocks:
                if condition.role.startswith("ground."):
                    general[condition.name] = condition
        return tuple(general.values())

    def _changed(self, permit: PlanPermit) -> None:
        self._tell(permit.view())


def _first_unmet(checks: Sequence[Check]) -> str | None:
    return next((f"{check.title} ({check.value_text})" for check in checks if not check.met), None)
