"""One bench trial from its first step to the proof that everything is safe. No I/O; time is an argument.

The table of states is in `trial_state`. The trial stops at the first thing the plan did not ask
for: a refusal, an unknown outcome, a value out of expectation, a channel armed or fired out of turn. Only a ping without
an answer is counted as lost and passed over: a trial of the link measures just that.

The caller hands in views of commands, telemetry (through `Readings`) and the time, and carries out the actions it takes
from `take_actions`: `Send`, `SafeAll` and, for what safe all leaves armed (recovery channels), `Disarm`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from protocol.commands import Command
from protocol.dictionary import Dictionary
from server.flight.control.linkage import SweepPoint
from server.telemetry.conditions import FRESH_S, Readings, check_conditions
from server.trials.asks import Disarm, SafeAll, SeenCommand, Send
from server.trials.plan import Step, TrialPlan
from server.trials.score import Progress, Score
from server.trials.state import OUTCOMES, OVER, TRANSITIONS, Event, State
from server.trials.watch import Watch

# Our choice: safe all repeats until it is answered; half a minute of that through a lossy link without a sign of safety is
# told to the person, who has the arming key.
SAFE_WITHIN_S = 30.0
# Our choice: telemetry shows an effect within that at five packets a second and a sound link.
DISARM_EVERY_S = 1.0
# What ends a permit without saying anything about the vehicle: it stops the trial and is no failed run.
NOT_THE_VEHICLE = ("command authority", "safe all", "the computer slept", "the station is closing", "cancelled by")


@dataclass(frozen=True, slots=True)
class Turn:
    """One step and where it stands: `run` counts from 1, 0 for steps outside the cycles."""

    run: int
    cycle: int
    variant: str
    step: Step


class Trial:
    """One trial. Call `tick` often: it looks at telemetry and lets time pass."""

    def __init__(self, dictionary: Dictionary, plan: TrialPlan, cycles: int, readings: Readings) -> None:
        self._dictionary, self._readings = dictionary, readings
        self.plan, self.cycles = plan, cycles
        self.state = State.READY
        self.score = Score(by_variant={variant.title: [0, 0] for variant in plan.variants})
        self.outcome: str | None = None  # "passed", "failed" or "stopped"
        self.cause = ""
        self._turns = self._schedule()
        self._turn: Turn | None = None
        self._steps, self._steps_begun = plan.steps(cycles), 0
        self._run_is_bad = False
        self._actions: list[Send | SafeAll | Disarm] = []
        self._disarmed_s = -DISARM_EVERY_S
        self._since_s = self._due_s = 0.0
        self._latest_view: SeenCommand | None = None
        self._proof_after_s = 0.0
        self._samples: dict[float, float] = {}  # arrival -> value
        self._watch = Watch(dictionary, readings)
        self._allowed: set[str] = set()

    # ------------------------------------------------------------ what the caller does

    def begin(self, now_s: float) -> None:
        """Start; what has been fired before is nobody's fault, what is armed before is."""
        self._allowed = self._watch.fired(now_s)
        self._due_s = now_s
        self._apply(Event.BEGIN, now_s)
        self.tick(now_s)

    def on_asked(self, ok: bool, sentence: str, now_s: float) -> None:
        """The queue took the command, or refused to."""
        if not ok and self.state is State.SENDING:
            self._fault(Event.REFUSED, f"{self._step.title} was refused: {sentence}", now_s)

    def on_command(self, view: SeenCommand, now_s: float) -> None:
        """This is how the command under way looks now."""
        if self.state is not State.SENDING:
            return
        self._latest_view = view
        event = self._event_of(view)
        if event is Event.VERIFIED:
            self._verified(view, now_s)
        elif event is Event.LOST:
            self._count_ping(view, answered=False)
            self._run_is_bad = True
            self._note_failure(f"{self._step.title}: no answer", now_s)
            self._due_s = now_s + self._step.settle_s
            self._apply(Event.LOST, now_s)
        elif event is Event.DISARMED:
            self._fault(event, view.reason or view.state_text, now_s)
        elif event is not None:
            self._fault(event, f"{self._step.title}: {view.state_text}", now_s)

    def on_permit_ended(self, reason: str, now_s: float) -> None:
        """Nothing more may be sent under the permit."""
        if self.state not in (State.READY, State.SAFING):
            self._fault(Event.DISARMED, reason, now_s)

    def on_safing(self, view: SeenCommand | None, sentence: str, now_s: float) -> None:
        """This is how safe all looks now; without a view it could not even be asked."""
        if self.state is not State.SAFING:
            return
        if view is None:
            self.cause = _joined(self.cause, sentence)
            self._apply(Event.REFUSED, now_s)
        elif view.state in ("completed", "verified"):
            if self._watch.all_safe(self._proof_after_s, now_s):
                # The queue may not have looked at this telemetry yet, and the session must not end without its proof.
                if view.state == "verified" or view.missing is None:
                    self._apply(Event.SAFE, now_s)
            elif now_s - self._disarmed_s >= DISARM_EVERY_S:
                self._disarm(view.steps.get("completed") or self._since_s, now_s)

    def stop(self, why: str, now_s: float) -> None:
        """A person stops it: no run has failed by that."""
        self._fault(Event.STOP, why, now_s)

    def tick(self, now_s: float) -> None:
        """Look at telemetry, then let time pass."""
        if self.state in OVER or self.state is State.READY:
            return
        odd = self._watch.odd(self._allowed, now_s) if self.state is not State.SAFING else None
        if odd:
            self._fault(Event.ODD, odd, now_s)
        self._sample(now_s)
        _BY_STATE[self.state](self, now_s)

    def take_actions(self) -> list[Send | SafeAll | Disarm]:
        """Return what is to be done, in order, and forget it."""
        actions, self._actions = self._actions, []
        return actions

    @property
    def is_over(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in OVER

    @property
    def run(self) -> int:
        """Number of the present run, from 1; 0 outside the cycles."""
        return self._turn.run if self._turn else 0

    def progress(self) -> Progress:
        """Return where the trial is, for a person to watch."""
        turn = self._turn
        return {
            "state": self.state.value,
            "run": self.run,
            "runs": self.plan.runs(self.cycles),
            "cycle": turn.cycle if turn else 0,
            "cycles": self.cycles,
            "variant": turn.variant if turn else "",
            "step": turn.step.title if turn else "",
            "step_number": self._steps_begun,
            "steps": self._steps,
            "passed": self.score.passed,
            "failed": self.score.failed,
        }

    # ------------------------------------------------------------ the steps

    def _schedule(self) -> Iterator[Turn]:
        for step in self.plan.first:
            yield Turn(0, 0, "", step)
        run = 0
        for cycle in range(1, self.cycles + 1):
            for variant in self.plan.variants:
                run += 1
                for step in variant.steps:
                    yield Turn(run, cycle, variant.title, step)
        for step in self.plan.last:
            yield Turn(0, 0, "", step)

    @property
    def _step(self) -> Step:
        assert self._turn is not None, "a step is under way"
        return self._turn.step

    def _wait(self, now_s: float) -> None:
        """The settling time is over: keep what was measured, close the run if it was its last step, take the next."""
        if now_s < self._due_s or not self._keep_sample(now_s):
            return
        turn = next(self._turns, None)
        if self.run and (turn is None or turn.run != self.run):
            self._close_run(failed=self._run_is_bad)
            self._run_is_bad = False
        if turn is None:
            self._finish(now_s)
            return
        self._turn = turn
        self._steps_begun += 1
        if turn.step.command is None:
            self._due_s = now_s + turn.step.settle_s
            self._apply(Event.PAUSE, now_s)
        else:
            self._send(turn.step, turn.step.command, now_s)

    def _send(self, step: Step, command: Command, now_s: float) -> None:
        self._latest_view = None
        self._allowed |= self._watch.set_by(step, 1.0)
        self._apply(Event.SEND, now_s)
        self._actions.append(Send(command.name, step.args))

    def _finish(self, now_s: float) -> None:
        self.outcome = "failed" if self.score.failed else "passed"
        if self.plan.hazard() == "hazardous":
            self._proof_after_s = now_s
            self._actions.append(SafeAll())
            self._apply(Event.FINISH, now_s)
        else:
            self._apply(Event.FINISH_QUIETLY, now_s)

    def _sending(self, now_s: float) -> None:
        if now_s - self._since_s <= self._step.within_s:
            return
        said = f" ({self._latest_view.state_text})" if self._latest_view else ""
        self._fault(Event.TIME_OUT, f"{self._step.title} was not verified within {self._step.within_s:g} s{said}", now_s)

    def _pause(self, now_s: float) -> None:
        if now_s >= self._due_s:
            self._proof_after_s = self._since_s
            self._apply(Event.TIME_UP, now_s)
            self._prove(now_s)

    def _prove(self, now_s: float) -> None:
        step = self._step
        checks = check_conditions(self._dictionary, step.expect, {}, self._readings, now_s)
        unmet = [check for check in checks if not check.met]
        if not unmet and all(self._watch.heard_after(c.role, self._proof_after_s, now_s) for c in step.expect):
            self._due_s = now_s + (step.settle_s if step.command is not None else 0.0)
            self._apply(Event.HELD, now_s)
        elif now_s - self._since_s > step.within_s:
            said = f"{unmet[0].title} does not hold ({unmet[0].value_text})" if unmet else "telemetry is silent about it"
            self._fault(Event.TIME_OUT, f"after {step.title}: {said}", now_s)

    def _disarm(self, safed_s: float, now_s: float) -> None:
        """Safe all is carried out: ask for what sets to zero each channel that telemetry of later still shows armed."""
        for command, args in self._watch.disarming(safed_s, now_s):
            self._disarmed_s = now_s
            self._actions.append(Disarm(command, args))

    def _safing(self, now_s: float) -> None:
        if now_s - self._since_s > SAFE_WITHIN_S:
            self.cause = _joined(self.cause, f"the vehicle was not seen to be safe within {SAFE_WITHIN_S:g} s")
            self._apply(Event.TIME_OUT, now_s)

    # ------------------------------------------------------------ what came of it

    def _event_of(self, view: SeenCommand) -> Event | None:
        state = view.state
        if self._step.is_ping:
            if view.steps.get("accepted") is not None:
                return Event.VERIFIED
            return Event.LOST if state == "unknown" else OUTCOMES.get(state)
        if state == "completed" and view.missing is None:  # a command whose effect telemetry cannot show
            return Event.VERIFIED
        return OUTCOMES.get(state)

    def _verified(self, view: SeenCommand, now_s: float) -> None:
        step, asked_s = self._step, view.steps.get("asked")
        if step.is_ping:
            self._count_ping(view, answered=True)
        elif asked_s is not None:
            proved_s = view.steps.get("verified") or view.steps.get("completed") or now_s
            self.score.latencies.setdefault(step.label, []).append(proved_s - asked_s)
        self._allowed -= {role for role in self._watch.set_by(step, 0.0) if self._watch.kinds[role] == "armed"}
        self._proof_after_s = view.steps.get("sent") or self._since_s
        self._apply(Event.VERIFIED, now_s)
        self._prove(now_s)

    def _count_ping(self, view: SeenCommand, answered: bool) -> None:
        """A ping sent more than once has no known round trip: the answer may belong to any of its frames.

        Source: P. Karn and C. Partridge, "Improving Round-Trip Time Estimates in Reliable Transport Protocols", 1987.
        """
        score, sends = self.score, view.sends
        score.pings += 1
        score.pings_answered += answered
        score.ping_sends += sends
        sent_s, accepted_s = view.steps.get("sent"), view.steps.get("accepted")
        if answered and sends == 1 and sent_s is not None and accepted_s is not None:
            score.round_trips.append(accepted_s - sent_s)

    def _close_run(self, failed: bool) -> None:
        assert self._turn is not None
        self.score.passed += not failed
        self.score.failed += failed
        self.score.by_variant[self._turn.variant][failed] += 1

    def _fault(self, event: Event, why: str, now_s: float) -> None:
        """Stop at the first thing that is not as planned, and make safe."""
        begun = self.state is not State.READY
        if TRANSITIONS[self.state].get(event) is None:
            return
        by_person = event is Event.STOP or (event is Event.DISARMED and why.startswith(NOT_THE_VEHICLE))
        if not by_person:
            self._note_failure(why, now_s)
            if self.run:
                self._close_run(failed=True)
        self.outcome, self.cause = "stopped" if by_person else "failed", why
        self._proof_after_s = now_s
        if begun:
            self._actions.append(SafeAll())
        self._apply(event, now_s)

    def _note_failure(self, why: str, now_s: float) -> None:
        if self.score.failure is None:
            self.score.failure = {**self.progress(), "cause": why, "rx": now_s}

    def _apply(self, event: Event, now_s: float) -> None:
        """The one place where a trial changes its state."""
        following = TRANSITIONS[self.state].get(event)
        if following is not None:
            self.state, self._since_s = following, now_s

    # ------------------------------------------------------------ telemetry

    def _sample(self, now_s: float) -> None:
        """While a place of a sweep is held, take every new reading of the last part of its settling time."""
        sample = self._turn.step.sample if self._turn else None
        if sample is None or self.state is not State.WAITING:
            return
        reading = self._readings.reading(sample.role, now_s)
        if reading is not None and reading.true_s >= self._due_s - sample.dwell_s:
            self._samples[reading.rx_s] = reading.value

    def _keep_sample(self, now_s: float) -> bool:
        """Keep the mean of what was measured at this place; False while a burst of loss has let nothing through."""
        sample = self._turn.step.sample if self._turn else None
        if sample is None:
            return True
        if not self._samples and now_s <= self._due_s + FRESH_S:
            return False
        values, self._samples = list(self._samples.values()), {}
        if not values:
            self._fault(Event.ODD, f"after {self._step.title}: telemetry is silent about {sample.role}", now_s)
            return False
        point = SweepPoint(sample.commanded, sum(values) / len(values), sample.direction)
        self.score.sweeps.setdefault(sample.group, []).append(point)
        return True


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)


def _over(trial: Trial, now_s: float) -> None:
    """Nothing more happens."""


_BY_STATE: dict[State, Callable[[Trial, float], None]] = {
    State.WAITING: Trial._wait,
    State.SENDING: Trial._sending,
    State.PAUSING: Trial._pause,
    State.PROVING: Trial._prove,
    State.SAFING: Trial._safing,
    State.ENDED: _over,
    State.UNSAFE: _over,
}
