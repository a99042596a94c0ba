"""The shapes sent to the page, in one place. The page is the other end of the same list of names.

Numbers are JSON numbers; what JSON has no form for travels as "nan", "inf", "-inf" in rows, and as real 64-bit floats
in the binary columns.
"""

from __future__ import annotations

from collections.abc import Mapping

from protocol.commands import Argument, Command, Condition
from protocol.dictionary import Dictionary
from protocol.fields import Channel
from protocol.foreign.framing_tables import RISK
from server.design.site_map import map_shape
from server.flight.link.link_types import BITS_PER_BYTE
from server.live.store import LiveStore
from server.review.review import Review, rehearsal_of
from server.telemetry.tables import TableSpec, table_specs
from server.uplink.command_queue import blind_safe_all

REFUSED = "Hazardous ones are refused until the dictionary states that risk."
DESK_REQUESTS = (
    "sign_in",
    "send",
    "arm",
    "confirm",
    "cancel",
    "safe_all",
    "allow_unbound",
    "mark",
    "acknowledge",
    "check",
    "take",
    "release",
    "give",
    "trial",
    "pad",
    "count",
    "alive",
)


def dictionary_shape(
    dictionary: Dictionary, simulated: bool, site: Mapping[str, object] | None, sheet: Mapping[str, object] | None
) -> dict[str, object]:
    """Return what the page needs of the dictionary and the vehicle and site sheets."""
    return {
        "name": dictionary.name,
        "vehicle": dictionary.vehicle,
        "simulated": simulated,
        "site": dict(site) if site else None,
        "sheet": dict(sheet) if sheet else None,
        "map": map_shape(site or {}),
        "hash": f"{dictionary.hash32:08x}",
        "modem_b_s": dictionary.modem_baud / BITS_PER_BYTE,
        "tables": [_table_shape(spec) for spec in table_specs(dictionary).values()],
        "commands_note": _commands_note(dictionary),
        "commands": [_command_shape(command, dictionary) for command in dictionary.commands.values()],
    }


def recorded_shape(review: Review) -> dict[str, object]:
    """Return what the page needs of a recording's dictionary and sheets."""
    sheet, site = review.session.header.sheets
    shape = dictionary_shape(review.dictionary, bool(sheet.get("simulated")), site, sheet)
    return {**shape, "rehearsal": rehearsal_of(review)}


def _commands_note(dictionary: Dictionary) -> str:
    """Return what the page must say of a vehicle whose format neither authenticates nor answers; "" for our own wire."""
    if dictionary.framing is None or not dictionary.commands:
        return ""
    risk = "The dictionary's owner has accepted that for hazardous ones." if dictionary.may_command_hazards else REFUSED
    return f"Commands of this vehicle are neither authenticated nor answered. {RISK} {risk}"


def _table_shape(spec: TableSpec) -> dict[str, object]:
    return {
        "name": spec.name,
        "title": spec.title,
        "computed": spec.computed,
        "rate_hz": spec.rate_hz,
        "columns": [_column_shape(channel) for channel in spec.columns],
    }


def _column_shape(channel: Channel) -> dict[str, object]:
    return {
        "name": channel.name,
        "channel": channel.path,
        "label": channel.label,
        "kind": channel.kind,
        "unit": channel.unit,
        "display_unit": channel.display_unit,
        "display_scale": channel.display_scale,
        "display_offset": channel.display_offset,
        "role": channel.role,
        "values": [text or str(number) for number, text in enumerate(channel.values)] or None,
        "limits": dict(channel.limits) or None,
        "range": list(channel.range) if channel.range else None,
        "description": channel.description,
    }


def _command_shape(command: Command, dictionary: Dictionary) -> dict[str, object]:
    return {
        "name": command.name,
        "title": command.title,
        "does": command.does,
        "caution": command.caution,
        "hazard": command.hazard,
        "safes_all": command.safes_all,
        "blind": blind_safe_all(dictionary) if command.safes_all else "",
        "effect": {c.role: c.operand for c in command.effects if c.comparison == "equals" and c.per is None},
        "args": [_argument_shape(arg) for arg in command.args],
        "effects": [_condition_shape(effect) for effect in command.effects],
        "interlocks": [{"name": lock.name, "title": lock.title, **_condition_shape(lock)} for lock in command.interlocks],
    }


def _condition_shape(condition: Condition) -> dict[str, object]:
    """Return what the page needs to see which command makes a condition true."""
    return {
        "role": condition.role,
        "comparison": condition.comparison,
        "operand": condition.operand,
        "within": condition.within,
        "per": condition.per,
    }


def _argument_shape(arg: Argument) -> dict[str, object]:
    return {
        "name": arg.name,
        "type": arg.type,
        "min": arg.low,
        "max": arg.high,
        "unit": arg.unit,
        "display_unit": arg.display_unit,
        "display_scale": arg.display_scale,
        "display_offset": arg.display_offset,
        "values": list(arg.values) or None,
    }


def hello(session: str, mode: str, rx_now: float, t_now: float, store: LiveStore) -> dict[str, object]:
    """Return the first message to a viewer."""
    return {
        "type": "hello",
        "session": session,
        "mode": mode,
        "rx_now": rx_now,
        "t_now": t_now,
        "cursor": store.cursor(),
        "journal_next": store.journal_next,
    }


def update(
    store: LiveStore, cursor: Mapping[str, int], journal_next: int, rx_now: float, t_now: float, at_most: int
) -> dict[str, object]:
    """Return all that came since `cursor` and `journal_next`, the newest `at_most` rows of each table."""
    first: dict[str, int] = {}
    rows: dict[str, list[list[object]]] = {}
    for name, table in store.tables.items():
        if table.next_index > cursor.get(name, 0):
            first[name], rows[name] = table.since(cursor.get(name, 0), at_most)
    return {
        "type": "update",
        "rx_now": rx_now,
        "t_now": t_now,
        "from": first,
        "rows": rows,
        "journal": store.journal_since(journal_next),
    }
