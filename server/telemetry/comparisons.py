"""Reading a comparison on a role from TOML: trial plans and pad sheets write it like the interlocks of a dictionary.

    { role = "battery.voltage", at_least = 7.2 }       one of equals, one_of, at_most, at_least; `within` for equals

Numbers are in the dictionary's own units (SI); a role with [*] stands for each of its family. Errors name file, table, key.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from math import isfinite

from protocol.commands import COMPARISONS, ComparisonWord, Operand, operand_of
from protocol.dictionary import Dictionary
from protocol.errors import ValueRefused
from protocol.toml_table import TomlTable
from server.telemetry.conditions import number_of
from server.telemetry.tables import table_specs


@dataclass(frozen=True)
class RoleComparison:
    """What was written: the roles it is asked of, the word of `COMPARISONS`, and what to compare with."""

    roles: tuple[str, ...]
    word: ComparisonWord
    operand: Operand
    within: float


def known_roles(dictionary: Dictionary) -> frozenset[str]:
    """Return every role that can have a reading: the vehicle's, and what the station computes."""
    computed = {c.role for spec in table_specs(dictionary).values() for c in spec.columns if c.role}
    return frozenset(computed | {"ground.link_age", "ground.link_loss"})


def read_comparison(table: TomlTable, dictionary: Dictionary, known: Collection[str]) -> RoleComparison:
    """Read role, comparison and `within`; raises DictionaryError for what no reading could ever be compared with."""
    pattern = table.get("role", str)
    roles = tuple(dictionary.roles_matching(pattern)) or (pattern,)
    if any(role not in known for role in roles):
        raise table.problem(f"the dictionary has no role '{pattern}'", "role")
    found = [word for word in COMPARISONS if table.has(word)]
    if len(found) != 1:
        raise table.problem(f"needs exactly one of {', '.join(COMPARISONS)}")
    operand = operand_of(table.raw(found[0]))
    if operand is None:
        raise table.problem("must be a number, a text or a list of these", found[0])
    for role in roles:
        _check_operand(table, dictionary, role, found[0], operand)
    return RoleComparison(roles, found[0], operand, table.get("within", float, 0.0))


def _check_operand(table: TomlTable, dictionary: Dictionary, role: str, word: str, operand: object) -> None:
    channel = dictionary.roles.get(role)
    for item in operand if word == "one_of" and isinstance(operand, list) else [operand]:
        try:
            number = number_of(item, channel)
        except (ValueError, TypeError, LookupError, ValueRefused) as error:
            raise table.problem(f"{item!r} is no value of '{role}'", word) from error
        if isinstance(item, bool) or not isfinite(number):
            raise table.problem(f"{item!r} is no value of '{role}'", word)
