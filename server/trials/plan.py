"""A bench trial as it is written down: a TOML file, checked against the vehicle's dictionary before anything is sent.

    format = 1
    name = "arm-safe"                     what the command line calls it
    title = "Arm and safe each channel"
    caution = "Everybody clear."          shown before anything is armed
    cycles = 10                           how often, unless asked otherwise
    for_each = { channel = [1, 2] }       one cycle runs the steps once for each value; "{channel}" stands for it
    first = [ ... ]                       steps once before all cycles
    steps = [ ... ]                       steps of every cycle
    last = [ ... ]                        steps once after all cycles

A step is one of

    { send = "channel_arm", args = { channel = "{channel}" }, expect = [ ... ], within_s = 8, settle_s = 0.2 }
    { ping = true }                       a ping that gets no answer is counted as lost and does not stop the trial
    { wait_s = 1.5, expect = [ ... ] }
    { sweep = "fin_move", args = { fin = 1 }, over = "angle", from = -0.2, to = 0.2, step = 0.05, dwell_s = 0.3 }

A sweep goes from `from` up to `to` and back down, and keeps what is measured at each place. `expect` lists comparisons
on roles, written like the interlocks of a dictionary ({ role = ..., equals = ... }); they must come to hold within
`within_s`, beyond the effects the dictionary names, which are always waited for. Every mistake is a `DictionaryError`
naming the plan's file, the step and the key.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import resources
from itertools import product
from pathlib import Path

from protocol.commands import HAZARDS, Command, Condition
from protocol.dictionary import Dictionary
from protocol.errors import DictionaryError, ValueRefused
from protocol.toml_table import TomlTable
from server.flight.control.linkage import FALLING, NEITHER, RISING
from server.telemetry.comparisons import known_roles, read_comparison

FORMAT = 1
COMMANDS_AT_MOST = 20_000  # as many as the command desk permits in one plan; a test holds the two together
CYCLES_AT_MOST = 10_000  # our choice: bounds what one typing error may ask for
SWEEP_AT_MOST = 400  # our choice: places of one sweep, both ways
WAIT_AT_MOST_S = 50.0  # below the minute without progress that ends a permit
PATIENCE_S = 3.0  # a command's time to live, on top of the time its effect may take
DWELL_S = 0.3
SWEEP_SETTLE_S = 0.3
PING = "ping"
NAME = re.compile(r"[a-z][a-z0-9-]{0,39}\Z")


@dataclass(frozen=True)
class Sample:
    """What a step of a sweep measures: the role, what was asked, the direction it is reached in, and for how long."""

    role: str
    group: str  # which sweep: one linkage
    commanded: float
    direction: int
    dwell_s: float


@dataclass(frozen=True)
class Step:
    """One step with every placeholder filled in. `command` is None for a mere wait."""

    place: str
    title: str
    command: Command | None
    args: Mapping[str, float]
    expect: tuple[Condition, ...]
    within_s: float
    settle_s: float
    is_ping: bool = False
    sample: Sample | None = None

    @property
    def label(self) -> str:
        """What its times are gathered under: the command and its worded arguments, whichever channel it is for."""
        if self.command is None:
            return self.title
        words = [arg.values[int(self.args[arg.name])] for arg in self.command.args if arg.values]
        return ", ".join([self.command.title, *words])


@dataclass(frozen=True)
class Variant:
    """The steps of one cycle for one choice of the values of `for_each`."""

    title: str
    steps: tuple[Step, ...]


@dataclass(frozen=True)
class TrialPlan:
    """A plan checked against a dictionary."""

    name: str
    title: str
    caution: str
    cycles: int
    first: tuple[Step, ...]
    variants: tuple[Variant, ...]
    last: tuple[Step, ...]

    def hazard(self) -> str:
        """Return the hazard of its most hazardous command."""
        found = {step.command.hazard for step in self._all_steps() if step.command}
        return next((hazard for hazard in reversed(HAZARDS) if hazard in found), HAZARDS[0])

    def danger(self) -> tuple[int, bool, int, str]:
        """Return what plans are put in order by, the least dangerous first: hazard, whether it fires, what it sets.

        What it sets is the number of different effects its commands have: a ping has none. Plans alike go by title.
        """
        commands = [step.command for step in self._all_steps() if step.command]
        effects = {effect.role for command in commands for effect in command.effects}
        fires = any(role.endswith(".fired") for role in effects)
        return HAZARDS.index(self.hazard()), fires, len(effects), self.title

    def steps(self, cycles: int) -> int:
        """Return how many steps that many cycles take, first and last ones included."""
        return len(self.first) + len(self.last) + cycles * sum(len(variant.steps) for variant in self.variants)

    def runs(self, cycles: int) -> int:
        """Return how many runs that many cycles make: one for each variant."""
        return cycles * len(self.variants)

    def sends(self, cycles: int) -> list[tuple[str, Mapping[str, float]]]:
        """Return every command that many cycles send, in order: what a permit must hold."""
        once = [*self.first, *self.last]
        repeated = [step for variant in self.variants for step in variant.steps]
        return [(step.command.name, step.args) for step in [*once, *repeated * cycles] if step.command]

    def lines(self) -> list[str]:
        """Return what will be sent, for a person to read before the first act."""
        lines = [f"first: {step.title}" for step in self.first]
        for variant in self.variants:
            head = f"{variant.title}: " if variant.title else ""
            lines.append(f"each cycle: {head}{'; '.join(_gathered(variant.steps))}")
        return lines + [f"last: {step.title}" for step in self.last]

    def cautions(self) -> list[str]:
        """Return the plan's caution and that of every command in it, each once."""
        texts = [self.caution, *[step.command.caution for step in self._all_steps() if step.command]]
        return list(dict.fromkeys(text for text in texts if text))

    def _all_steps(self) -> Iterator[Step]:
        yield from self.first
        for variant in self.variants:
            yield from variant.steps
        yield from self.last


def _gathered(steps: Sequence[Step]) -> Iterator[str]:
    """Say a sweep as one thing, not as forty."""
    said = set()
    for step in steps:
        command = step.command
        if step.sample is None or command is None:
            yield step.title
        elif step.place not in said:
            said.add(step.place)
            yield f"{command.title} sweep {step.sample.group}, {sum(s.place == step.place for s in steps)} moves"


# ---------------------------------------------------------------- finding and reading


def sample_plans() -> dict[str, str]:
    """Return the texts of the plans that come along, by name; all made for the invented Sandpiper."""
    folder = resources.files("server.trials").joinpath("plans")
    files = sorted((item for item in folder.iterdir() if item.name.endswith(".toml")), key=lambda item: item.name)
    return {item.name.removesuffix(".toml"): item.read_text("utf-8") for item in files}


def load_plan(name: str, dictionary: Dictionary) -> TrialPlan:
    """Read the plan in a file, or the one that comes along under that name; raises DictionaryError."""
    path = Path(name)
    samples = sample_plans()
    if name in samples and not path.is_file():
        return parse_plan(samples[name], dictionary, f"{name}.toml")
    try:
        return parse_plan(path.read_text("utf-8"), dictionary, path.name)
    except OSError as error:
        known = ", ".join(samples)
        raise DictionaryError("file", f"cannot be read: {error.strerror}; plans that come along: {known}", name) from error
    except UnicodeDecodeError as error:
        raise DictionaryError("file", "is not UTF-8 text", name) from error


def parse_plan(text: str, dictionary: Dictionary, file: str = "plan") -> TrialPlan:
    """Build a plan from TOML text; raises DictionaryError naming file, step and key."""
    try:
        values = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise DictionaryError("file", f"is not valid TOML: {error}", file) from error
    table = TomlTable(values, "", file)
    if table.get("format", int) != FORMAT:
        raise table.problem(f"this Blockhouse reads trial plans of format {FORMAT}", "format")
    reader = _Reader(dictionary, file)
    plan = TrialPlan(
        name=_name(table),
        title=table.get("title", str),
        caution=table.get("caution", str),
        cycles=table.get("cycles", int),
        first=reader.steps(table, "first", {}),
        variants=tuple(_variants(table, reader)),
        last=reader.steps(table, "last", {}),
    )
    table.done()
    check_cycles(plan, plan.cycles, table)
    return plan


def check_cycles(plan: TrialPlan, cycles: int, table: TomlTable | None = None) -> None:
    """Refuse a number of cycles that is none or too many; raises DictionaryError."""
    where = table if table is not None else TomlTable({}, "", plan.name)
    if not 1 <= cycles <= CYCLES_AT_MOST:
        raise where.problem(f"must be 1..{CYCLES_AT_MOST}, got {cycles}", "cycles")
    repeated = sum(1 for variant in plan.variants for step in variant.steps if step.command)
    if cycles * repeated + len(plan.first) + len(plan.last) > COMMANDS_AT_MOST:
        most = (COMMANDS_AT_MOST - len(plan.first) - len(plan.last)) // repeated
        raise where.problem(f"{cycles} cycles are too many commands for one trial; at most {most}", "cycles")


def _name(table: TomlTable) -> str:
    name = table.get("name", str)
    if not NAME.match(name):
        raise table.problem(f"{name!r} must be lower-case letters, digits and - (at most 40)", "name")
    return name


def _variants(table: TomlTable, reader: _Reader) -> Iterator[Variant]:
    choices = table.get("for_each", dict, {})
    for key, numbers in choices.items():
        good = isinstance(numbers, list) and numbers and all(type(n) in (int, float) for n in numbers)
        if not good or len(set(numbers)) != len(numbers):
            raise table.problem("must be a list of different numbers", f"for_each.{key}")
    for values in product(*choices.values()):
        chosen = dict(zip(choices, values, strict=True))
        steps = reader.steps(table, "steps", chosen)
        if not steps:
            raise table.problem("needs at least one step", "steps")
        yield Variant(", ".join(f"{key} {value:g}" for key, value in chosen.items()), steps)


# ---------------------------------------------------------------- steps


class _Reader:
    """Reads steps and checks them against one dictionary."""

    def __init__(self, dictionary: Dictionary, file: str) -> None:
        self._dictionary = dictionary
        self._file = file
        self._roles = known_roles(dictionary)
        self._patience_s = dictionary.uplink.effect_within_s + PATIENCE_S

    def steps(self, table: TomlTable, key: str, chosen: Mapping[str, float]) -> tuple[Step, ...]:
        """Return the steps under `key` with the chosen values in the places named after them."""
        found: list[Step] = []
        label = f" ({', '.join(f'{k} {v:g}' for k, v in chosen.items())})" if chosen else ""
        for i, raw in enumerate(table.get(key, list, [])):
            found += self._step(TomlTable(_filled(raw, chosen), f"{key}[{i}]{label}", self._file), f"{key}[{i}]")
        return tuple(found)

    def _step(self, table: TomlTable, place: str) -> list[Step]:
        kinds = [kind for kind in ("send", "ping", "wait_s", "sweep") if table.has(kind)]
        if len(kinds) != 1:
            raise table.problem("needs exactly one of send, ping, wait_s, sweep")
        if kinds[0] == "sweep":
            steps = self._sweep(table, place)
        elif kinds[0] == "wait_s":
            wait_s = _seconds(table, "wait_s", 0.0)
            steps = [Step(place, f"wait {wait_s:g} s", None, {}, (), self._patience_s, wait_s)]
        else:
            steps = [self._send(table, kinds[0], place)]
        expect = tuple(self._expectations(table))
        within_s = _seconds(table, "within_s", self._patience_s)
        table.done()
        return [replace(step, expect=expect, within_s=within_s) for step in steps]

    def _send(self, table: TomlTable, kind: str, place: str) -> Step:
        if kind == "ping" and table.get("ping", bool) is not True:
            raise table.problem("must be true", "ping")
        command = self._command(table, PING if kind == "ping" else table.get("send", str), kind)
        args = self._args(table, command, table.get("args", dict, {}))
        settle_s = _seconds(table, "settle_s", 0.0)
        return Step(place, _title(command, args), command, args, (), 0.0, settle_s, is_ping=kind == "ping")

    def _command(self, table: TomlTable, name: str, key: str) -> Command:
        command = self._dictionary.commands.get(name)
        if command is None:
            raise table.problem(f"the dictionary has no command '{name}'", key)
        if command.safes_all:
            raise table.problem("safe all ends a trial; the trial asks for it by itself", key)
        return command

    def _args(self, table: TomlTable, command: Command, args: Mapping[str, object]) -> dict[str, float]:
        try:
            command.pack_args(args)
        except ValueRefused as error:
            raise table.problem(str(error), "args") from error
        numbers = {name: value for name, value in args.items() if isinstance(value, int | float)}  # the rest was refused
        # As the queue counts them: an argument with a scale is a float.
        return {arg.name: float(numbers[arg.name]) if arg.scale != 1.0 else numbers[arg.name] for arg in command.args}

    def _sweep(self, table: TomlTable, place: str) -> list[Step]:
        command = self._command(table, table.get("sweep", str), "sweep")
        over, fixed = table.get("over", str), table.get("args", dict, {})
        shown = next((effect for effect in command.effects if effect.operand == f"{{{over}}}"), None)
        if shown is None:
            raise table.problem(f"{command.name} has no effect that follows its argument '{over}'", "over")
        settle_s, dwell_s = _seconds(table, "settle_s", SWEEP_SETTLE_S), _seconds(table, "dwell_s", DWELL_S)
        group = ", ".join(f"{name} {value:g}" for name, value in fixed.items() if isinstance(value, int | float))
        steps = []
        for angle, direction in _sweep_angles(table):
            args = self._args(table, command, {**fixed, over: angle})
            sample = Sample(shown.role_for(args), group or command.title, angle, direction, dwell_s)
            steps.append(Step(place, _title(command, args), command, args, (), 0.0, settle_s + dwell_s, sample=sample))
        return steps

    def _expectations(self, table: TomlTable) -> Iterator[Condition]:
        for i, item in enumerate(table.tables("expect")):
            told = read_comparison(item, self._dictionary, self._roles)
            item.done()
            for role in told.roles:
                title = f"{role} {told.word.replace('_', ' ')} {told.operand}"
                yield Condition(
                    name=f"expect_{i + 1}",
                    title=title,
                    role=role,
                    comparison=told.word,
                    operand=told.operand,
                    within=told.within,
                )


def _sweep_angles(table: TomlTable) -> Iterator[tuple[float, int]]:
    """Yield (angle, direction) from `from` up to `to` and back; the first is reached from anywhere."""
    low, high, step = table.get("from", float), table.get("to", float), table.get("step", float)
    if not (low < high and step > 0.0):
        raise table.problem("from must be below to, and step above zero", "from")
    count = round((high - low) / step)
    if abs(count * step - (high - low)) > 1e-6 * step or not 2 <= 2 * count <= SWEEP_AT_MOST:
        raise table.problem(f"must divide from..to into 1 to {SWEEP_AT_MOST // 2} equal steps", "step")
    angles = [round(low + i * (high - low) / count, 9) for i in range(count + 1)]
    yield angles[0], NEITHER
    yield from ((angle, RISING) for angle in angles[1:])
    yield from ((angle, FALLING) for angle in angles[-2::-1])


def _seconds(table: TomlTable, key: str, default: float) -> float:
    value = table.get(key, float, default)
    if not 0.0 <= value <= WAIT_AT_MOST_S:
        raise table.problem(f"must be 0..{WAIT_AT_MOST_S:g} s", key)
    return value


def _title(command: Command, args: Mapping[str, float]) -> str:
    said = command.args_text(args)
    return f"{command.title}, {said}" if said else command.title


def _filled(value: object, chosen: Mapping[str, float]) -> object:
    """Return a TOML value with "{key}" replaced: the number itself where it stands alone, its digits inside a text."""
    if isinstance(value, dict):
        return {key: _filled(item, chosen) for key, item in value.items()}
    if isinstance(value, list):
        return [_filled(item, chosen) for item in value]
    if not isinstance(value, str):
        return value
    for key, number in chosen.items():
        if value == f"{{{key}}}":
            return number
        value = value.replace(f"{{{key}}}", f"{number:g}")
    return value
