"""What telemetry says of armed and fired channels while a trial runs. Pure; time is an argument.

Every role of the form `family[member].armed` or `family[member].fired` is watched, whether the plan has to do with it or
not: a trial of channel 1 must notice that channel 3 is armed.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from itertools import product

from protocol.commands import Command
from protocol.dictionary import Dictionary
from server.telemetry.conditions import FRESH_S, Readings, effect_shown
from server.trials.plan import Step

ARGUMENTS_AT_MOST = 256  # our choice: more sets of arguments than any vehicle has channels
DANGEROUS = re.compile(r"[a-z_]+\[[a-z0-9_]+\]\.(armed|fired)\Z")


class Watch:
    """Looks at the channels of one vehicle. `kinds` maps each watched role to "armed" or "fired"."""

    def __init__(self, dictionary: Dictionary, readings: Readings) -> None:
        self._dictionary, self._readings = dictionary, readings
        dangerous = {role: DANGEROUS.match(role) for role in dictionary.roles}
        self.kinds = {role: match[1] for role, match in dangerous.items() if match}
        self._safe_all = next((c for c in dictionary.commands.values() if c.safes_all), None)
        self._disarms = {
            role: found for role, kind in self.kinds.items() if kind == "armed" and (found := self._safer(role))
        }

    def fired(self, now_s: float) -> set[str]:
        """Return what telemetry shows as fired."""
        return {role for role, kind in self.kinds.items() if kind == "fired" and self._shows(role, now_s)}

    def set_by(self, step: Step, value: float) -> set[str]:
        """Return the watched roles a step's effects set to zero, or to anything else for any other value."""
        found: set[str] = set()
        for effect in step.command.effects if step.command else ():
            roles = [role for role in self._dictionary.roles_matching(effect.role_for(step.args)) if role in self.kinds]
            if roles and effect.comparison == "equals" and bool(effect.operand_for(step.args)) == bool(value):
                found |= set(roles)
        return found

    def disarming(self, after_s: float, now_s: float) -> list[tuple[str, Mapping[str, float]]]:
        """Return the routine commands, with arguments, for what telemetry of after `after_s` still shows armed."""
        armed = [role for role in self._disarms if self._shows(role, now_s) and self.heard_after(role, after_s, now_s)]
        return [self._disarms[role] for role in armed]

    def _safer(self, role: str) -> tuple[str, Mapping[str, float]] | None:
        """Return the routine command, with arguments, whose effect by the dictionary is that this role becomes zero."""
        for command in self._dictionary.commands.values():
            if command.hazard != "routine" or command.safes_all:
                continue
            for args in _argument_sets(command):
                for effect in command.effects:
                    zeroes = effect.comparison == "equals" and effect.operand_for(args) == 0 and not effect.only_if
                    if zeroes and effect.role_for(args) == role:
                        return command.name, args
        return None

    def odd(self, allowed: Collection[str], now_s: float) -> str | None:
        """Return in words what is armed or fired although it is not among `allowed`, or None."""
        strange = [role for role in self.kinds if role not in allowed and self._shows(role, now_s)]
        return f"{', '.join(strange)}: telemetry shows it, the plan did not ask for it" if strange else None

    def heard_after(self, role: str, since_s: float, now_s: float) -> bool:
        """Tell whether a reading of the role is from after a time, its lag counted."""
        reading = self._readings.reading(role, now_s)
        return reading is not None and reading.true_s > since_s

    def all_safe(self, after_s: float, now_s: float) -> bool:
        """Tell whether fresh telemetry that came after `after_s` shows the effect of safe all and nothing armed."""
        armed = [role for role, kind in self.kinds.items() if kind == "armed"]
        fresh = all(self.heard_after(role, max(after_s, now_s - FRESH_S), now_s) for role in armed)
        if not fresh or any(self._shows(role, now_s) for role in armed):
            return False
        command = self._safe_all
        return command is not None and effect_shown(self._dictionary, command, {}, 0, self._readings, now_s, after_s)

    def _shows(self, role: str, now_s: float) -> bool:
        reading = self._readings.reading(role, now_s)
        return reading is not None and reading.value != 0.0


def _argument_sets(command: Command) -> Iterator[Mapping[str, float]]:
    """Yield every set of whole-numbered arguments of a command, up to a limit; none for one that has other arguments."""
    if all(arg.scale == 1.0 and arg.high - arg.low < ARGUMENTS_AT_MOST for arg in command.args):
        ranges = (range(int(arg.low), int(arg.high) + 1) for arg in command.args)
        for _, values in zip(range(ARGUMENTS_AT_MOST), product(*ranges), strict=False):
            yield {arg.name: value for arg, value in zip(command.args, values, strict=True)}
