"""Plans: two acts of a person for a whole written plan, then its commands one by one. Pure; time is an argument.

One plan at a time, from the first act to the end. A plan with a guarded or hazardous command gets a permit, which wants
the vehicle in ground test; a plan of routine commands needs none, but the same two acts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from protocol.commands import HAZARDS, Command, Condition, Hazard
from protocol.dictionary import Dictionary
from server.telemetry.conditions import Readings, check_conditions
from server.uplink.command_entry import Reply
from server.uplink.command_state import State
from server.uplink.command_table import CommandTable
from server.uplink.permits import IDLE_AT_MOST_S, PermitEvent, PermitState, PermitView, PlanPermit, slots_of
from server.uplink.round_trip import RoundTrips
from server.uplink.rules import REHEARSING, asked_for, first_unmet
from server.uplink.two_acts import CONFIRM_LATEST_S, FirstAct, TwoActs

PERMIT_INTERLOCK = "ground_test"
Plan = Sequence[tuple[str, Mapping[str, float]]]


class PermitDesk:
    """Keeps the newest permit and sends under it."""

    def __init__(
        self,
        dictionary: Dictionary,
        readings: Readings,
        two_acts: TwoActs,
        table: CommandTable,
        trips: RoundTrips,
        let_time_pass: Callable[[float], None],
    ) -> None:
        """`let_time_pass` is called before an act that must not find what time has ended meanwhile."""
        self._dictionary = dictionary
        self._readings = readings
        self._two_acts = two_acts
        self._table = table
        self._trips = trips
        self._let_time_pass = let_time_pass
        self._newest: PlanPermit | None = None

    # ------------------------------------------------------------ plans with a permit

    def arm(self, title: str, allowed: Plan, operator: str, now_s: float) -> Reply:
        """First act for a plan: every command in it named and counted, the vehicle in ground test."""
        problem = self._table.why_not_now(operator) or self._table.why_not_alone(None)
        problem = problem or self._problem(allowed) or self.why_busy()
        problem = problem or self._table.why_not_addressed(self._hazard(allowed), now_s)
        if problem:
            return Reply(False, problem)
        checks = check_conditions(self._dictionary, self._general_conditions(allowed), {}, self._readings, now_s)
        checks += self._trips.checks(now_s)
        unmet = first_unmet(checks)
        if unmet:
            return Reply(False, f"not ready: {unmet}", None, tuple(checks))
        first = self._two_acts.first(operator, self._hazard(allowed), now_s)
        permit = PlanPermit(self._table.take_id("p"), title, first, slots_of(allowed), now_s)
        self._newest = permit
        self._table.permit_changed(permit.view())
        return Reply(True, f"{title} is ready, confirm within {CONFIRM_LATEST_S:.0f} s", permit.id, tuple(checks))

    def confirm(self, id: str, operator: str, now_s: float) -> Reply:
        """Second act: opens the permit."""
        self._let_time_pass(now_s)
        permit = self.get(id, PermitState.ARMED)
        if permit is None:
            return Reply(False, "no plan is ready under that number; get it ready again")
        wrong = self._two_acts.why_not(permit.first, operator, now_s)
        if wrong:
            return Reply(False, wrong)
        checks = check_conditions(self._dictionary, self.conditions(), {}, self._readings, now_s)
        unmet = first_unmet([*checks, *self._trips.checks(now_s)])
        if unmet:
            return Reply(False, f"not started: {unmet}", id)
        permit.confirmed_s, permit.confirmed_by = now_s, operator
        permit.apply(PermitEvent.CONFIRM, now_s)
        self._table.permit_changed(permit.view())
        return Reply(True, f"{permit.title} confirmed", id)

    def cancel(self, id: str, operator: str, now_s: float) -> Reply:
        """Take a plan back; what has been sent has been sent."""
        if self.get(id) is None:
            return Reply(False, "there is no such plan")
        self.end(id, f"cancelled by {operator}", now_s)
        return Reply(True, "the plan has ended", id)

    def end(self, id: str, why: str, now_s: float) -> None:
        """End a plan and drop what it has not sent yet."""
        self._end(self.get(id), why, now_s)
        self._table.drop_planned(id, why, now_s)

    def send(self, id: str, command: str, args: Mapping[str, float], now_s: float) -> Reply:
        """Send one command of a confirmed plan; every interlock holds as always."""
        self._let_time_pass(now_s)
        permit = self.get(id, PermitState.OPEN)
        if permit is None:
            return Reply(False, self._why_not_open(id))
        described = self._table.admitted(command, args, permit.first.operator, now_s)
        if isinstance(described, str):
            return Reply(False, described)
        refused = self._table.why_not_alone(described) or self._why_not_sent(described, args, now_s)
        if refused:
            return Reply(False, refused)
        if not permit.use(command, args, now_s):
            return Reply(False, "the plan that was confirmed does not hold this command (again)")
        entry = self._table.add(described, args, permit.first.operator, State.QUEUED, now_s)
        entry.permit, entry.confirmed_by = permit.id, permit.confirmed_by
        if "armed" in entry.needs and permit.confirmed_s is not None:
            entry.steps.update(armed=permit.first.at_s, confirmed=permit.confirmed_s)
        self._table.advance(now_s)
        return Reply(True, "", entry.id)

    # ------------------------------------------------------------ plans without one

    def arm_routine(self, operator: str, now_s: float) -> FirstAct | str:
        """First act for a plan of routine commands: return what the second act is judged by, or why not."""
        refused = self._table.why_not_now(operator) or self._table.why_not_addressed("routine", now_s)
        return refused or self._two_acts.first(operator, "routine", now_s)

    def confirm_routine(self, first: FirstAct, operator: str, now_s: float) -> str | None:
        """Second act for a plan of routine commands: return why it does not begin, or None."""
        return self._two_acts.why_not(first, operator, now_s) or self._table.why_not_now(operator)

    # ------------------------------------------------------------ what others ask and tell

    def get(self, id: str, state: PermitState | None = None) -> PlanPermit | None:
        """Return the permit of that number if it has not ended (and stands in `state`, where one is asked for)."""
        permit = self._newest
        if permit is None or permit.id != id or permit.state is PermitState.ENDED:
            return None
        return permit if state in (None, permit.state) else None

    def view(self, id: str) -> PermitView | None:
        """Return how the permit of that number looks now, or None when there is none."""
        permit = self._newest
        return None if permit is None or permit.id != id else permit.view()

    def why_busy(self) -> str | None:
        """While a plan is armed or runs, no person arms anything beside it."""
        permit = self._newest
        if permit is None or permit.state is PermitState.ENDED:
            return None
        return f"{permit.title} is {'armed' if permit.state is PermitState.ARMED else 'running'}; end it first"

    def conditions(self) -> tuple[Condition, ...]:
        """Return what must hold for every command of any plan, above its own interlocks."""
        condition = self._dictionary.interlocks.get(PERMIT_INTERLOCK)
        return () if condition is None else (condition,)

    def end_all(self, why: str, now_s: float) -> None:
        """A disarming event ends whatever is armed or running."""
        self._end(self._newest, why, now_s)

    def tick(self, now_s: float) -> None:
        """Let time pass."""
        permit = self._newest
        if permit is None:
            return
        if permit.state is PermitState.ARMED and permit.first.is_over(now_s):
            self._end(permit, "not confirmed in time", now_s)
        elif permit.state is PermitState.OPEN and now_s - permit.since_s > IDLE_AT_MOST_S:
            self._end(permit, "nothing happened for too long", now_s)

    # ------------------------------------------------------------ inside

    def _end(self, permit: PlanPermit | None, why: str, now_s: float) -> None:
        if permit is not None and permit.apply(PermitEvent.END, now_s, why):
            self._table.permit_changed(permit.view())

    def _why_not_open(self, id: str) -> str:
        permit = self._newest
        if permit is None or permit.id != id or permit.state is PermitState.ARMED:
            return "the plan is not open"
        return f"the plan has ended: {permit.reason}"

    def _why_not_sent(self, command: Command, args: Mapping[str, float], now_s: float) -> str | None:
        conditions = (*self._table.interlocks(command), *self.conditions())
        checks = check_conditions(self._dictionary, conditions, args, self._readings, now_s)
        # The steps' own answers measure the way; what began in time must not lag by now.
        if command.hazard != "routine":
            checks += self._trips.checks(now_s, with_trip=False)
        unmet = first_unmet(checks)
        return f"not sent: {unmet}" if unmet else None

    def _problem(self, allowed: Plan) -> str | None:
        """Return what no permit can hold in this plan, or None."""
        try:
            slots_of(allowed)
            for command, args in allowed:
                described = self._dictionary.commands.get(command)
                if described is None or described.safes_all:
                    return f"a plan cannot hold '{command}'"
                refused = asked_for(self._dictionary, command, args)
                if isinstance(refused, str):
                    return refused
        except (ValueError, TypeError) as error:
            return str(error)
        if not self.conditions():
            return f"the dictionary has no interlock '{PERMIT_INTERLOCK}', which a plan needs"
        return None

    def _hazard(self, allowed: Plan) -> Hazard:
        hazards = {self._dictionary.commands[command].hazard for command, _ in allowed}
        return next(hazard for hazard in reversed(HAZARDS) if hazard in hazards)

    def _general_conditions(self, allowed: Plan) -> tuple[Condition, ...]:
        """Return the interlocks that no step of the plan can bring about: those of the link and of the whole vehicle.

        Those of single channels are looked at when each command is sent.
        """
        general = {condition.name: condition for condition in self.conditions()}
        for command, _ in allowed:
            for condition in self._table.interlocks(self._dictionary.commands[command]):
                if condition.role.startswith("ground.") or condition is REHEARSING:
                    general[condition.name] = condition
        return tuple(general.values())
