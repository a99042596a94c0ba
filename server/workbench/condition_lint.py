"""Interlocks and effects that can never be met, or never fail, whatever the vehicle says.

An interlock that can never be met blocks its command, one that can never fail protects from nothing, and an effect that
nobody will ever see leaves its command "not verified": none of them says so by itself. What is looked at is what
`server.telemetry.conditions` compares: the number a field can hold against the operand, over all an argument may be.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from itertools import islice, product

from protocol.commands import COUNTER_MAX, TEMPLATE_PLACE, Argument, Command, Condition
from protocol.dictionary import Dictionary
from protocol.errors import ValueRefused
from protocol.fields import Channel
from protocol.wire_types import FLOAT_MAX, FLOAT_TYPES, INTEGER_RANGES, halved, plain_type, singled
from server.workbench.lint_remark import CAUTION, FAULT, LintRemark

VALUES_TRIED = 4096  # of an argument: all of them up to so many, else that many between its ends
ROLES_TRIED = 20_000


def condition_findings(dictionary: Dictionary, known: Collection[str]) -> Iterator[LintRemark]:
    """Yield what is wrong with interlocks and effects, each once; `known` are all roles that have a reading."""
    said: set[LintRemark] = set()
    for place, condition, command in _uses(dictionary):
        for remark in _Look(dictionary, known, place, condition, command).findings():
            if remark not in said:
                said.add(remark)
                yield remark


def reach(channel: Channel, type_: str) -> tuple[float, float] | None:
    """Return the least and greatest value a field of whole numbers can hold, None for floats and text."""
    if not channel.mask and type_ not in INTEGER_RANGES:
        return None
    raws = channel.group_range() if channel.mask else INTEGER_RANGES[type_]
    ends = sorted(raw * channel.scale + channel.offset for raw in raws)
    return (ends[0], ends[1])


def _uses(dictionary: Dictionary) -> Iterator[tuple[str, Condition, Command | None]]:
    """Yield each condition with its place and the command whose arguments it may name; None for one that none uses."""
    used = set()
    for command in dictionary.commands.values():
        for interlock in command.interlocks:
            used.add(interlock.name)
            yield f"interlock.{interlock.name}", interlock, command
        for number, effect in enumerate(command.effects):
            yield f"command.{command.name}.effects[{number}]", effect, command
            if effect.only_if is not None:
                used.add(effect.only_if.name)
                yield f"interlock.{effect.only_if.name}", effect.only_if, command
    for name, interlock in dictionary.interlocks.items():
        if name not in used:
            yield f"interlock.{name}", interlock, None


class _Look:
    """One condition as one command uses it."""

    def __init__(
        self, dictionary: Dictionary, known: Collection[str], place: str, condition: Condition, command: Command | None
    ) -> None:
        self.dictionary = dictionary
        self.known = known
        self.place = place
        self.condition = condition
        self.is_effect = place.startswith("command.")
        self.args = {arg.name: arg for arg in command.args} if command is not None else {}
        self.of = f" for {command.name}" if command is not None and not self.is_effect and "{" in self._words() else ""

    def _words(self) -> str:
        return f"{self.condition.role} {self.condition.operand} {self.condition.per and '{'}"

    def findings(self) -> Iterator[LintRemark]:
        """Yield the first fault of the role, else those of what it is compared with."""
        condition = self.condition
        names = TEMPLATE_PLACE.findall(condition.role)
        if "counter" in names and "counter" not in self.args:
            yield self._fault("role", "{counter} stands in no role: only what is compared with may hold it")
        elif not set(names) <= set(self.args):
            yield LintRemark(CAUTION, self.place, "is used by no command")  # and what its places stand for nobody knows
        elif not self.is_effect and "[*]" in condition.role:
            yield self._fault("role", "[*] is for effects: an interlock looks at one role, so this one is never met")
        else:
            yield from self._role_findings(names)

    def _fault(self, key: str, text: str) -> LintRemark:
        return LintRemark(FAULT, f"{self.place}.{key}", text)

    def _role_findings(self, names: list[str]) -> Iterator[LintRemark]:
        """Fill in the role over the arguments' whole range and look at each channel it stands for."""
        roles = self.dictionary.roles
        for values in islice(product(*[_values(self.args[name]) for name in names]), ROLES_TRIED):
            filled = dict(zip(names, values, strict=True))
            role = self.condition.role_for(filled)
            if self.is_effect:
                matching = self.dictionary.roles_matching(role)
            else:
                matching = [role] if role in self.known else []
            if not matching:
                yield self._fault("role", self._missing(role, filled))
                return
            for one in matching:
                remark = self._comparison(one, roles.get(one), filled)
                if remark is not None:
                    yield remark
                    return

    def _missing(self, role: str, filled: Mapping[str, float]) -> str:
        with_ = f", asked for with {_said(filled)}" if filled else ""
        if self.is_effect and role in self.known:
            return f"the role {role} is measured by the station: an effect must be seen in what the vehicle sends"
        return f"no field has the role {role}{with_}{self.of}"

    # ------------------------------------------------------------ what the role is compared with

    def _comparison(self, role: str, channel: Channel | None, filled: Mapping[str, float]) -> LintRemark | None:
        condition, operand = self.condition, self.condition.operand
        if channel is not None and channel.kind == "text":
            return self._fault("role", f"{role} is a text, conditions compare numbers")
        if condition.comparison == "one_of" and condition.per is not None:
            return self._fault("per", "one_of has a list already, so that per picks nothing from it")
        if condition.per is not None and isinstance(operand, list):
            if condition.per not in self.args:
                return None  # an interlock that no command uses
            picked = [filled[condition.per]] if condition.per in filled else _values(self.args[condition.per])
            tried = [(operand[int(value)], f" ({condition.per} {value:g})") for value in picked]
        elif isinstance(operand, list):
            if condition.comparison != "one_of":
                return self._fault(condition.comparison, "a list needs `per`, the argument that picks from it")
            tried = [(item, "") for item in operand]
        elif isinstance(operand, str) and operand.startswith("{"):
            return self._argument(role, channel, operand[1:-1], filled)
        else:
            tried = [(operand, "")]
        if not tried:
            return self._fault(condition.comparison, "an empty list is never met")
        for item, when in tried:
            text = self._never(role, channel, item)
            if text is not None:
                return self._fault(condition.comparison, text + when + self.of)
        return self._always(role, channel, [item for item, _ in tried])

    def _argument(self, role: str, channel: Channel | None, name: str, filled: Mapping[str, float]) -> LintRemark | None:
        """Look at an operand that is an argument, or the command's counter, at all it may be."""
        if name in self.args:
            values = [filled[name]] if name in filled else _values(self.args[name])
        elif not self.is_effect:
            return self._fault(self.condition.comparison, "{counter} is known to effects only")
        else:
            values = [1.0, float(COUNTER_MAX)]
        for value in values:
            text = self._never(role, channel, value)
            if text is not None:
                return self._fault(self.condition.comparison, f"{text}, which {name} may be{self.of}")
        return None

    def _never(self, role: str, channel: Channel | None, operand: object) -> str | None:
        """Return why this one value can never be met, None when it can."""
        if channel is None:
            return None if not isinstance(operand, str) else f"{role} is a number of the station's, never {operand!r}"
        try:
            number = channel.number_of(operand)
        except ValueRefused:
            says = f"it says {', '.join(channel.values)}" if channel.values else "it is a number"
            return f"{role} never says {operand!r}: {says}"
        type_ = self.dictionary.packets[channel.packet].fields[channel.field_index].type
        bounds = _bounds(channel, type_)
        if not bounds[0] - self.condition.within <= number <= bounds[1] + self.condition.within:
            return f"{role} holds {bounds[0]:.10g}..{bounds[1]:.10g}, never {number:.10g}"
        if self.condition.comparison in ("equals", "one_of"):
            nearest = _nearest(channel, type_, number)
            within = self.condition.within if self.condition.comparison == "equals" else 0.0
            if not abs(nearest - number) <= within:
                return f"{role} comes no nearer to {number:.10g} than {nearest:.17g}: say `equals` with `within`"
        return None

    def _always(self, role: str, channel: Channel | None, operands: list[object]) -> LintRemark | None:
        """Return that an interlock holds whatever the vehicle says, None when it can fail."""
        word = self.condition.comparison
        if channel is None or self.is_effect or word not in ("at_least", "at_most"):
            return None
        type_ = self.dictionary.packets[channel.packet].fields[channel.field_index].type
        low, high = _bounds(channel, type_)
        limits = [channel.number_of(item) for item in operands]
        if all(limit <= low if word == "at_least" else limit >= high for limit in limits):
            text = f"can never fail: {role} holds {low:.10g}..{high:.10g}"
            return LintRemark(CAUTION, f"{self.place}.{word}", text)
        return None


def _bounds(channel: Channel, type_: str) -> tuple[float, float]:
    """Return the least and greatest number that means something: an enum's texts, a flag's two, what the field holds."""
    if channel.values:
        return (0.0, float(len(channel.values) - 1))
    most = FLOAT_MAX.get(plain_type(type_), float("inf"))
    return reach(channel, type_) or (-most, most)


def _nearest(channel: Channel, type_: str, number: float) -> float:
    """Return the value nearest to `number` that the field can hold, reckoned as the ground reckons it from the wire."""
    if type_ in FLOAT_TYPES:
        round_to = {"f16": halved, "f32": singled}.get(plain_type(type_), float)
        return round_to(number)
    low, high = channel.group_range() if channel.mask else INTEGER_RANGES[type_]
    if channel.values:
        low, high = 0, min(high, len(channel.values) - 1)
    raw = min(max(round((number - channel.offset) / channel.scale), low), high)
    return raw * channel.scale + channel.offset if channel.linear else float(raw)


def _values(arg: Argument) -> list[float]:
    """Return what an argument may be: all of it where that is a number to count to, else both ends and some between."""
    if arg.type in INTEGER_RANGES:
        first, last = round(arg.low / arg.scale), round(arg.high / arg.scale)
        step = max(1, (last - first) // VALUES_TRIED)
        raws = [*range(first, last, step), last]
        return [arg.value_of(raw) for raw in raws]
    return [arg.low, arg.high]


def _said(values: Mapping[str, float]) -> str:
    return ", ".join(f"{name} {value:g}" for name, value in values.items())
