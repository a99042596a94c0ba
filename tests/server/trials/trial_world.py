"""A trial on the real command queue and the real vehicle rules of `queue_world`, with time as an argument."""

from __future__ import annotations

from collections.abc import Callable

from server.trials.asks import Disarm, SafeAll, Send
from server.trials.plan import TrialPlan, parse_plan
from server.trials.trial import Trial
from server.uplink.command_entry import Reply
from tests.server.uplink.queue_world import STEP_S, World, dictionary, ready_world

HEAD = 'format = 1\nname = "made-up"\ntitle = "Made up"\ncaution = "Invented."\n'
# Every cycle begins with a wait, in which a test may disturb what comes.
ARM_SAFE = """
steps = [ { wait_s = 0.5 }, { send = "channel_arm", args = { channel = 1 } },
          { send = "channel_safe", args = { channel = 1 } } ]
"""
PING = "steps = [ { wait_s = 0.2 }, { ping = true } ]"


def plan_of(text: str, cycles: int = 2) -> TrialPlan:
    """Return a plan made of a few lines of TOML."""
    return parse_plan(f"{HEAD}cycles = {cycles}\n{text}", dictionary(), "made-up.toml")


class TrialWorld:
    """Drives one trial as the station does."""

    def __init__(self, text: str, cycles: int = 2, world: World | None = None) -> None:
        self.world = world or ready_world()
        self.plan = plan_of(text, cycles)
        self.trial = Trial(self.world.dictionary, self.plan, cycles, self.world)
        self.sent: list[tuple[str, dict[str, float]]] = []
        self.safed = 0
        self.disarmed: list[Disarm] = []
        self._permit: str | None = None
        self._command: str | None = None
        self._safing: str | None = None

    def begin(self) -> TrialWorld:
        """Both acts, and the first look."""
        if self.plan.hazard() != "routine":
            self._permit = self.world.arm_plan(self.plan.sends(self.trial.cycles)).id
            self.world.advance(0.5)
            assert self.world.confirm_plan(self._permit).ok
        self.trial.begin(self.world.now_s)
        return self

    def run(self, at_most_s: float = 120.0, each: Callable[[TrialWorld], None] = lambda bench: None) -> Trial:
        """Let time pass until the trial is over; `each` may interfere before every look."""
        if self.trial.state == "ready":
            self.begin()
        for _ in range(round(at_most_s / STEP_S)):
            if self.trial.is_over:
                return self.trial
            each(self)
            self.look()
            self.world.advance(STEP_S)
        raise AssertionError(f"the trial did not end: {self.trial.progress()}")

    def look(self) -> None:
        """One look, in the order of `trial_run`."""
        queue, now_s = self.world.queue, self.world.now_s
        permit = queue.permits.view(self._permit) if self._permit else None
        if permit is not None and permit.state == "ended":
            self.trial.on_permit_ended(str(permit.reason), now_s)
        view = queue.view(self._command) if self._command else None
        if view is not None:
            self.trial.on_command(view, now_s)
        if self._safing is not None:
            self.trial.on_safing(queue.view(self._safing), "", now_s)
        self.trial.tick(now_s)
        for action in self.trial.take_actions():
            if isinstance(action, SafeAll):
                self.safed += 1
                self._safing = self.world.safe_all().id
            elif isinstance(action, Disarm):
                self.disarmed.append(action)
                self.world.submit(action.command, **action.args)
            else:
                self._ask(action)

    def _ask(self, action: Send) -> None:
        self.sent.append((action.command, dict(action.args)))
        reply: Reply
        if self._permit is None:
            reply = self.world.submit(action.command, **action.args)
        else:
            reply = self.world.send_planned(self._permit, action.command, **action.args)
        self._command = reply.id if reply.ok else None
        self.trial.on_asked(reply.ok, reply.sentence, self.world.now_s)
