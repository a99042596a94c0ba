"""What the station refuses, in words. Pure functions of the state they are given: a sentence says why not, None says yes."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from protocol.commands import Command, Condition
from protocol.dictionary import Dictionary
from protocol.errors import ValueRefused
from server.telemetry.conditions import Check
from server.uplink.command_entry import PendingCommand
from server.uplink.command_state import STATE_TEXT, UNSENT, State

# Our choice: more than a person presses within the seconds that anything may wait, few enough to be read at a glance.
WAITING_AT_MOST = 8
UNDERSTATED = 'arms or fires a channel, and the dictionary calls it routine; say hazard = "hazardous" there'
REHEARSING = Condition(
    name="rehearsing",
    title="Build for rehearsal, in a rehearsal",
    role="rehearsal.state",
    comparison="equals",
    operand="rehearsing",
)
NOT_SAFE_YET = "sent is not safe, use the arming key"


def asked_for(dictionary: Dictionary, command: str, args: Mapping[str, object]) -> Command | str:
    """Return the command that is asked for, or why these words ask for none that may be sent to this vehicle."""
    described = dictionary.commands.get(command)
    if described is None:
        return f"the dictionary has no command '{command}'"
    try:
        described.pack_args(args)
    except ValueRefused as error:
        return str(error)
    if described.hazard == "routine" and dictionary.arms(described):
        return f"{described.title} {UNDERSTATED}"
    if described.hazard == "hazardous" and not dictionary.may_command_hazards:
        risk = "its format cannot authenticate a command, and its dictionary's owner has not accepted that risk"
        return f"{described.title} is hazardous: {risk}"
    return described


def numbers_of(command: Command, args: Mapping[str, object]) -> dict[str, float]:
    """Return the arguments of a command that was asked for rightly, in its own order; one with a scale is a float."""
    numbers: dict[str, float] = {}
    for arg in command.args:
        value = args[arg.name]
        if isinstance(value, int | float):  # anything else was refused before
            numbers[arg.name] = float(value) if arg.scale != 1.0 else value
    return numbers


def interlocks_of(dictionary: Dictionary, command: Command, *, is_rehearsal_build: bool) -> tuple[Condition, ...]:
    """Return a command's interlocks; outside a rehearsal nothing is armed or fired in a build that is made for one."""
    if is_rehearsal_build and dictionary.arms(command):
        return (REHEARSING, *command.interlocks)
    return command.interlocks


def why_not_now(
    operator: str, *, holder: str | None, boot_id: int | None, link_up: bool, commands: Collection[PendingCommand]
) -> str | None:
    """Return why nothing can be commanded at this moment by this person: I14, and the first half of I4 and I12."""
    if operator != holder:
        holds = f"{holder} holds" if holder else "nobody holds"
        return f"you do not hold command authority ({holds} it); take it first"
    if boot_id is None:
        return "the vehicle has not been heard yet, so no command can be addressed to it"
    if not link_up:
        return "the downlink is lost; nothing is kept for later, ask again when the vehicle is heard"
    if safing_of(commands) is not None:
        return f"safe all is under way; wait for its outcome; {NOT_SAFE_YET}"
    if sum(entry.state in UNSENT for entry in commands) >= WAITING_AT_MOST:
        return "too many commands are waiting"
    return None


def why_not_alone(command: Command | None, own: PendingCommand | None, commands: Iterable[PendingCommand]) -> str | None:
    """I13: a guarded or hazardous command is never queued behind another and never shares the air.

    `command` is None for a whole plan; `own` is not in its own way.
    """
    for entry in commands:
        if entry is own or entry.is_probe:
            continue
        if entry.state is State.ARMED:
            return f"{entry.command.title} is ready; confirm or cancel it first"
        if entry.preparing or entry.state in (State.QUEUED, State.SENT):
            return f"{entry.command.title} is under way; wait for its answer"
        hazardous = command is None or command.hazard == "hazardous"
        if hazardous and entry.command.hazard == "hazardous" and entry.in_flight:
            return f"{entry.command.title} is not finished; only one hazardous command at a time"
    return None


def why_not_cancelled(entry: PendingCommand) -> str | None:
    """I11, I12: what may have left is not taken back, and safe all never is."""
    if entry.command.safes_all:
        return f"{entry.command.title} is not taken back"
    if entry.state not in UNSENT:
        return f"too late to cancel: {entry.command.title} is {STATE_TEXT[entry.state]}"
    return None


def first_unmet(checks: Iterable[Check]) -> str | None:
    """I15: return the first interlock that is not met, with what telemetry says of it."""
    return next((f"{check.title} ({check.value_text})" for check in checks if not check.met), None)


def is_same(entry: PendingCommand, command: str, args: Mapping[str, object]) -> bool:
    """I1: tell whether a confirm names what was armed; a true or a text that merely equals a number is not the number."""
    try:
        entry.command.pack_args(args)
    except ValueRefused:
        return False
    return command == entry.command.name and dict(args) == entry.args


def safing_words(entry: PendingCommand, waits_for_a_start: bool, ends: str) -> str:
    """Return what has come of the safe all that is waiting or being sent; `ends` tells how often or until when."""
    if entry.state is State.QUEUED and waits_for_a_start:
        return "safe all waits until the vehicle is first heard; use the arming key"
    if entry.written:
        return f"safe all was sent; it is sent again {ends}; {NOT_SAFE_YET}"
    if entry.reason is not None:
        return f"safe all has not left: {entry.reason}; it is tried again, use the arming key"
    return f"safe all goes out next, and again {ends}; {NOT_SAFE_YET}"


def safing_of(commands: Iterable[PendingCommand], *, or_accepted: bool = False) -> PendingCommand | None:
    """Return the safe all that is waiting or being sent (`or_accepted`: or not yet carried out), None when there is none."""
    alive = (State.QUEUED, State.SENT, *((State.ACCEPTED,) if or_accepted else ()))
    return next((entry for entry in commands if entry.command.safes_all and entry.state in alive), None)
