"""The [command.NAME] and [interlock.NAME] tables of a dictionary file: commands, arguments, conditions.

Every mistake is a `DictionaryError` that names the place. The keys are described in `WIRE.md`, section 9.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from protocol.bound import BOUND_HEAD, SAFE_ALL_CODE
from protocol.commands import (
    COMMAND_HEAD,
    COMPARISONS,
    HAZARDS,
    TAG_SIZE,
    Argument,
    Command,
    ComparisonWord,
    Condition,
    Operand,
    operand_of,
)
from protocol.framing import CONTENT_MAX
from protocol.rehearsal import KINDS
from protocol.tables.packet_tables import ROLE, read_name
from protocol.toml_table import TomlTable
from protocol.units import conversion
from protocol.wire_types import ARGUMENT_CODES, INTEGER_RANGES

PLACE = re.compile(r"\{\w+\}|\*")  # what a condition's role may hold instead of an index


def read_condition(table: TomlTable, name: str, interlocks: Mapping[str, Condition] | None = None) -> Condition:
    """Return an interlock, or with the file's `interlocks` at hand an effect; raises DictionaryError."""
    role = table.get("role", str)
    if not ROLE.match(PLACE.sub("1", role)):
        kinds = "altitude_baro, camera[{camera}].powered or camera[*].powered"
        raise table.problem(f"role {role!r} must look like {kinds}", "role")
    found = [word for word in COMPARISONS if table.has(word)]
    if len(found) != 1:
        raise table.problem(f"needs exactly one of {', '.join(COMPARISONS)}")
    condition = Condition(
        name=name,
        title=table.get("title", str, name.replace("_", " ")),
        role=role,
        comparison=found[0],
        operand=_operand(table, found[0]),
        within=table.get("within", float, 0.0),
        per=table.get("per", str) if table.has("per") else None,
        only_if=_only_if(table, interlocks) if interlocks is not None else None,
    )
    table.done()
    return condition


def _operand(table: TomlTable, word: ComparisonWord) -> Operand:
    operand = operand_of(table.raw(word))
    if operand is None:
        raise table.problem("must be a number, a text or a list of these", word)
    if word == "one_of" and not isinstance(operand, list):
        raise table.problem("must be a list", word)
    for item in operand if isinstance(operand, list) else [operand]:
        if not isinstance(item, str):
            table.finite(item, word)
    return operand


def _only_if(table: TomlTable, interlocks: Mapping[str, Condition]) -> Condition | None:
    wanted = table.get("only_if", str, "")
    if wanted and wanted not in interlocks:
        raise table.problem(f"no [interlock.{wanted}] in the dictionary", "only_if")
    return interlocks.get(wanted)


def read_command(name: str, table: TomlTable, conditions: Mapping[str, Condition], is_bound: bool = False) -> Command:
    """Return a command; `is_bound`: of wire version 2, to which safe all belongs. Raises DictionaryError."""
    code = _code(table, is_bound)
    interlocks = []
    for wanted in table.texts("interlocks"):
        if wanted not in conditions:
            raise table.problem(f"no [interlock.{wanted}] in the dictionary", "interlocks")
        interlocks.append(conditions[wanted])
    command = Command(
        name=read_name(name, table),
        code=code,
        hazard=table.choice("hazard", HAZARDS),
        title=table.get("title", str),
        does=table.get("does", str),
        caution=table.get("caution", str) if table.has("caution") else None,
        safes_all=table.get("safes_all", bool, False),
        args=tuple(_argument(item) for item in table.tables("args")),
        interlocks=tuple(interlocks),
        rehearsal=table.choice("rehearsal", KINDS) if table.has("rehearsal") else "",
        template=table.get("template", str, ""),
        effects=tuple(read_condition(item, f"effect_{i + 1}", conditions) for i, item in enumerate(table.tables("effects"))),
    )
    table.done()
    _check_command(command, table, is_bound)
    return command


def _code(table: TomlTable, is_bound: bool) -> int:
    if is_bound and table.get("safes_all", bool, False):
        if table.has("code"):
            raise table.problem("safe all belongs to the wire on version 2 and has no code of the dictionary's", "code")
        return SAFE_ALL_CODE
    code = table.get("code", int)
    if not 1 <= code <= 0xFE:
        raise table.problem("must be 1..254: all zeros and all ones are kept free", "code")
    return code


def _argument(table: TomlTable) -> Argument:
    type_ = table.choice("type", tuple(ARGUMENT_CODES))
    low, high = table.get("min", float), table.get("max", float)
    scale = table.get("scale", float, 1.0)
    if not low <= high:
        raise table.problem("min is above max", "min")
    if scale <= 0.0:
        raise table.problem("must be above zero", "scale")
    if type_ not in INTEGER_RANGES and table.has("scale"):
        raise table.problem("a float argument carries its value as it is; scale is for integers", "scale")
    if type_ in INTEGER_RANGES:
        first, last = INTEGER_RANGES[type_]
        if round(low / scale) < first or round(high / scale) > last:
            raise table.problem(f"min..max does not fit {type_} at scale {scale:g}", "max")
    unit = table.get("unit", str, "")
    display_unit = table.get("display_unit", str, unit)
    shown = conversion(unit, display_unit)
    if shown is None:
        raise table.problem(f"cannot show {unit!r} as {display_unit!r}", "display_unit")
    argument = Argument(
        name=read_name(table.get("name", str), table),
        type=type_,
        low=low,
        high=high,
        unit=unit,
        display_unit=display_unit,
        display_scale=shown[0],
        display_offset=shown[1],
        scale=scale,
        values=table.texts("values"),
        ratio=table.get("ratio", float, 1.0),
        driven_max=table.get("driven_max", float) if table.has("driven_max") else None,
    )
    if argument.ratio == 0.0 or (argument.driven_max is not None and argument.driven_max <= 0.0):
        raise table.problem("ratio must not be zero and driven_max must be above zero", "ratio")
    table.done()
    return argument


def _check_command(command: Command, table: TomlTable, is_bound: bool) -> None:
    names = {arg.name for arg in command.args}
    for condition in (*command.interlocks, *command.effects):
        for place in re.findall(r"\{(\w+)\}", f"{condition.role} {condition.operand}"):
            if place not in names | {"counter"}:
                raise table.problem(f"condition '{condition.name}' names argument '{place}', which it does not have")
        _check_operand(condition, command, table)
    if command.safes_all and (command.hazard != "routine" or command.args):
        raise table.problem("the command that safes all must be routine and without arguments", "safes_all")
    head = BOUND_HEAD if is_bound else COMMAND_HEAD
    if 6 + head.size + command.layout.size + TAG_SIZE + 2 > CONTENT_MAX:
        raise table.problem("is too long for a frame", "args")


def _check_operand(condition: Condition, command: Command, table: TomlTable) -> None:
    """The operand must be one that can be worked out for every allowed argument."""
    operand = condition.operand
    if isinstance(operand, str) and operand.startswith("{") and not re.fullmatch(r"\{\w+\}", operand):
        raise table.problem(f"condition '{condition.name}': {operand!r} must be one {{argument}} and nothing else")
    if condition.per is None:
        return
    index = {arg.name: arg for arg in command.args}.get(condition.per)
    if index is None or not isinstance(operand, list):
        raise table.problem(f"condition '{condition.name}': per names no argument, or its operand is no list")
    if not 0 <= index.low <= index.high < len(operand):
        raise table.problem(f"condition '{condition.name}': its list has no entry for every value of '{index.name}'")
