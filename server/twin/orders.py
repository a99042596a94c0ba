"""Commands as the flight computer obeys or refuses them.

`RULES` is the whole behavior: for each command the check that may refuse it, the act, and the test that its effect is
there. An order is answered "accepted" (or "refused" with the reason), acted on, and answered "completed" when the
effect is seen on board or "failed: effect not seen" when it is not seen in time. Execution at most once, repeats and
authenticity are the wire's business (`protocol.vehicle`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from protocol.bound import SAFE_ALL_CODE
from protocol.vehicle import Order
from server.twin.firing import Igniter
from server.twin.flight_computer import GROUND_TEST, IN_FLIGHT, PAD, FlightComputer
from server.twin.wire import VehicleWire

EFFECT_TIME_S = 4.0
FIN_TOLERANCE_RAD = 0.015
Args = Mapping[str, float]


@dataclass(frozen=True)
class Rule:
    """How one command is treated. `refuse` returns a reason of the wire or None; `said` is the event, or None."""

    refuse: Callable[[FlightComputer, Args], str | None]
    act: Callable[[FlightComputer, Args], None]
    done: Callable[[FlightComputer, Args], bool]
    said: str | None = None


class OrderDesk:
    """Takes orders and owes answers. Frames come out in the order in which they are to be sent."""

    def __init__(self, computer: FlightComputer, link: VehicleWire) -> None:
        self._computer, self._link = computer, link
        self._pending: list[tuple[Order, Rule, float]] = []
        self.executed: list[tuple[int, str]] = []

    def handle(self, order: Order, vehicle_ms: int) -> Iterator[bytes]:
        """Obey or refuse one order; yields answer frames."""
        rule = RULES.get(order.command)
        reason = "unknown command" if rule is None else rule.refuse(self._computer, order.args)
        if rule is None or reason is not None:
            yield self._link.answer(order, "refused", reason or "unknown command", vehicle_ms)
            return
        yield self._link.answer(order, "accepted", "none", vehicle_ms)
        self.executed.append((order.counter, order.command))
        rule.act(self._computer, order.args)
        if rule.said is not None:
            self._computer.say("info", rule.said.format_map({k: f"{v:g}" for k, v in order.args.items()}))
        self._pending.append((order, rule, self._computer.now_s + EFFECT_TIME_S))

    def cycle(self, vehicle_ms: int) -> Iterator[bytes]:
        """Look for the effects that are owed; yields answer frames."""
        if not self._pending:
            return
        still: list[tuple[Order, Rule, float]] = []
        for order, rule, until_s in self._pending:
            if rule.done(self._computer, order.args):
                yield self._link.answer(order, "completed", "none", vehicle_ms)
                if order.code == SAFE_ALL_CODE:
                    yield self._link.identity_frame(vehicle_ms)  # tells it whatever dictionary the ground has
            elif self._computer.now_s >= until_s:
                yield self._link.answer(order, "failed", "effect not seen", vehicle_ms)
            else:
                still.append((order, rule, until_s))
        self._pending = still


# ---------------------------------------------------------------- checks


def _always(computer: FlightComputer, args: Args) -> str | None:
    return None


def _camera_fitted(computer: FlightComputer, args: Args) -> str | None:
    return None if 1 <= args["camera"] <= len(computer.airframe.cameras) else "not fitted"


def _on_ground(computer: FlightComputer, args: Args) -> str | None:
    return None if computer.phase in (PAD, GROUND_TEST) else "not in this phase"


def _in_ground_test(computer: FlightComputer, args: Args) -> str | None:
    return None if computer.phase == GROUND_TEST else "not in ground test"


def _not_in_flight(computer: FlightComputer, args: Args) -> str | None:
    return "not in this phase" if computer.phase in IN_FLIGHT else None


def _fin_may_move(computer: FlightComputer, args: Args) -> str | None:
    if computer.phase != GROUND_TEST:
        return "not in ground test"
    travel = computer.vehicle.fins.travel_rad + 1e-4
    return None if 1 <= args["fin"] <= 4 and abs(args["angle"]) <= travel else "out of range"


def _lateral_may_arm(computer: FlightComputer, args: Args) -> str | None:
    if _on_ground(computer, args):
        return "not in this phase"
    if computer.airframe.board.inhibited:
        return "board inhibited"
    return None if _lateral(computer, args).continuity else "no continuity"


def _lateral_may_fire(computer: FlightComputer, args: Args) -> str | None:
    if computer.phase != GROUND_TEST:
        return "not in ground test"
    if computer.airframe.board.inhibited:
        return "board inhibited"
    return _may_fire(_lateral(computer, args))


def _recovery_may_arm(computer: FlightComputer, args: Args) -> str | None:
    if computer.phase != GROUND_TEST:
        return "not in ground test"
    return None if _recovery(computer, args).continuity else "no continuity"


def _recovery_may_fire(computer: FlightComputer, args: Args) -> str | None:
    return "not in ground test" if computer.phase != GROUND_TEST else _may_fire(_recovery(computer, args))


def _may_fire(channel: Igniter) -> str | None:
    if not channel.armed:
        return "not armed"
    return None if channel.continuity else "no continuity"


# ---------------------------------------------------------------- acts and effects


def _lateral(computer: FlightComputer, args: Args) -> Igniter:
    return computer.airframe.board.lateral[int(args["channel"]) - 1]


def _recovery(computer: FlightComputer, args: Args) -> Igniter:
    return computer.airframe.board.recovery[int(args["channel"]) - 1]


def _nothing(computer: FlightComputer, args: Args) -> None:
    return None


def _safe_all(computer: FlightComputer, args: Args) -> None:
    computer.airframe.board.inhibit()  # the recovery channels are the vehicle's own, whatever the ground says


def _is_safe(computer: FlightComputer, args: Args) -> bool:
    board = computer.airframe.board
    return board.inhibited and not any(channel.armed for channel in board.lateral)


def _camera_power(computer: FlightComputer, args: Args) -> None:
    computer.airframe.cameras[int(args["camera"]) - 1].switch(bool(args["on"]), computer.now_s)


def _camera_record(computer: FlightComputer, args: Args) -> None:
    computer.airframe.cameras[int(args["camera"]) - 1].record(bool(args["on"]), computer.now_s)


def _change_ground_test(computer: FlightComputer, args: Args) -> None:
    wanted = GROUND_TEST if args["on"] else PAD
    if computer.phase != wanted:
        computer.enter(wanted)


def _fin_is_there(computer: FlightComputer, args: Args) -> bool:
    angle = computer.airframe.servos.angles_rad[int(args["fin"]) - 1]
    return abs(angle - args["angle"]) <= FIN_TOLERANCE_RAD


def _fins_are_centered(computer: FlightComputer, args: Args) -> bool:
    return all(abs(angle) <= FIN_TOLERANCE_RAD for angle in computer.airframe.servos.angles_rad)


def _release(computer: FlightComputer, args: Args) -> None:
    computer.airframe.board.inhibited = False


def _arm(which: Callable[[FlightComputer, Args], Igniter]) -> Callable[[FlightComputer, Args], None]:
    return lambda computer, args: which(computer, args).arm(computer.now_s + computer.numbers.arm_expiry_s)


def _fire(which: Callable[[FlightComputer, Args], Igniter]) -> Callable[[FlightComputer, Args], None]:
    return lambda computer, args: which(computer, args).fire(computer.now_s + computer.airframe.board.fire_delay_s)


RULES: dict[str, Rule] = {
    "safe_all": Rule(_always, _safe_all, _is_safe, "safe all"),
    "ping": Rule(_always, _nothing, lambda c, a: True),
    "camera_power": Rule(
        _camera_fitted, _camera_power, lambda c, a: c.airframe.cameras[int(a["camera"]) - 1].powered == bool(a["on"])
    ),
    "camera_record": Rule(
        _camera_fitted, _camera_record, lambda c, a: c.airframe.cameras[int(a["camera"]) - 1].recording == bool(a["on"])
    ),
    "ground_test": Rule(_on_ground, _change_ground_test, lambda c, a: (c.phase == GROUND_TEST) == bool(a["on"])),
    "fin_move": Rule(_fin_may_move, lambda c, a: c.airframe.servos.command(int(a["fin"]), a["angle"]), _fin_is_there),
    "fin_sweep": Rule(
        _in_ground_test,
        lambda c, a: c.airframe.servos.sweep(int(a["fin"])),
        lambda c, a: not c.airframe.servos.sweeping(int(a["fin"])),
    ),
    "fin_center": Rule(_in_ground_test, lambda c, a: c.airframe.servos.command_all(0.0), _fins_are_centered),
    "channel_safe": Rule(
        _always,
        lambda c, a: _lateral(c, a).safe(),
        lambda c, a: not _lateral(c, a).armed,
        "lateral channel {channel} safe",
    ),
    "recovery_safe": Rule(
        _not_in_flight,
        lambda c, a: _recovery(c, a).safe(),
        lambda c, a: not _recovery(c, a).armed,
        "recovery channel {channel} safe",
    ),
    "board_inhibit": Rule(
        _always,
        lambda c, a: c.airframe.board.inhibit(),
        lambda c, a: c.airframe.board.inhibited,
        "firing board inhibited",
    ),
    "board_release": Rule(_on_ground, _release, lambda c, a: not c.airframe.board.inhibited, "firing board released"),
    "channel_arm": Rule(
        _lateral_may_arm, _arm(_lateral), lambda c, a: _lateral(c, a).armed, "lateral channel {channel} armed"
    ),
    "channel_fire": Rule(_lateral_may_fire, _fire(_lateral), lambda c, a: _lateral(c, a).fired),
    "recovery_arm": Rule(
        _recovery_may_arm, _arm(_recovery), lambda c, a: _recovery(c, a).armed, "recovery channel {channel} armed"
    ),
    "recovery_fire": Rule(_recovery_may_fire, _fire(_recovery), lambda c, a: _recovery(c, a).fired),
}
