"""What telemetry says of armed and fired channels while a trial runs. Pure; time is an argument.

Every role of the form `family[member].armed` or `family[member].fired` is watched, whether the plan has to do with it or
not: a trial of channel 1 must notice that channel 3 is armed.
"""

from __future__ import annotations

import re
from collections.abc import Collection

from protocol.dictionary import Dictionary
from server.telemetry.conditions import FRESH_S, Readings, effect_shown
from server.trials.plan import Step

DANGEROUS = re.compile(r"[a-z_]+\[[a-z0-9_]+\]\.(armed|fired)\Z")


class Watch:
    """Looks at the channels of one vehicle. `kinds` maps each watched role to "armed" or "fired"."""

    def __init__(self, dictionary: Dictionary, readings: Readings) -> None:
        self._dictionary, self._readings = dictionary, readings
        dangerous = {role: DANGEROUS.match(role) for role in dictionary.roles}
        self.kinds = {role: match[1] for role, match in dangerous.items() if match}
        self._safe_all = next((c for c in dictionary.commands.values() if c.safes_all), None)

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
