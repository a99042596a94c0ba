"""The pad sheet as it is written down: a TOML file, checked against the vehicle's dictionary before it is shown.

    format = 1
    title = "Sandpiper pad sheet"
    note = "Everything here is invented."        may be missing; shown under the title

    [[group]]
    title = "Power"

    [[group.item]]                                looked at by the station
    name = "battery"                              lower-case letters, digits and -; used once
    title = "Battery under load"
    role = "battery.voltage"                      or one of QUANTITIES; [*] asks it of a whole family
    at_least = 7.4                                equals, one_of, at_most, at_least, as in a dictionary's interlocks
    age_s = 5.0                                   an older value counts as unknown
    why = "One sentence for whoever reads it."

    [[group.item]]                                ticked by a person
    name = "wind-measured"
    tick = "Wind measured at the pad"
    number = { unit = "m/s", at_most = 8.94, measures = "site.wind" }
                                                  may be missing; then ticking asks for no number. With `measures` the
                                                  number goes before the site sheet's wind in everything computed
    hold_at = 30                                  of any item; the count holds so many seconds before zero, and runs on
                                                  only when this item is met
    why = "..."

A vehicle that can be rehearsed gets one item more than its file has: what its firmware was built for.

Every mistake is a `DictionaryError` naming the file, the table and the key.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path

from protocol.commands import Condition
from protocol.dictionary import Dictionary
from protocol.errors import DictionaryError
from protocol.fields import Channel
from protocol.toml_table import TomlTable
from server.design.pad_wind import QUANTITY, UNIT
from server.telemetry.comparisons import known_roles, read_comparison
from server.telemetry.conditions import COMPUTED, ground_display, value_text
from server.telemetry.tables import table_specs

FORMAT = 1
ITEMS_AT_MOST = 60
FILE_AT_MOST_BYTES = 64_000
TEXT_AT_MOST = 200
HOLD_AT_MOST_S = 3600.0
AGE_S = 5.0  # common practice, no source: the slowest packets of the pad come twice a second
AGE_AT_MOST_S = 600.0
BUILD_ITEM = {
    "name": "firmware-build",
    "title": "Firmware built for",
    "role": "identity.build",
    "equals": "flight",
    "why": "A rehearsal build can be made to believe that it flies. Nothing ticks this line away: load the flight build.",
}
NAME = re.compile(r"[a-z][a-z0-9-]{0,39}\Z")
QUANTITIES: Mapping[str, str] = {
    "site.wind": "wind at the pad, as measured there or else by the site sheet, m/s",
    "units.force_apart": "greatest distance of the two inertial units' specific forces, m/s2",
    "units.rate_apart": "greatest distance of the two inertial units' body rates, rad/s",
    "ground.warnings": "warnings that stand among the alarms",
}
"""What an automatic item may name besides roles; measured by `pad_readings`."""
BOUND_WORDS = {"equals": "must be ", "one_of": "must be ", "at_most": "at most ", "at_least": "at least "}


@dataclass(frozen=True)
class Number:
    """What is asked for with a tick: its unit, and the bounds it is held against."""

    unit: str
    at_least: float | None = None
    at_most: float | None = None
    measures: str = ""  # the quantity that this number goes before, for whatever is computed from it

    def is_met(self, value: float) -> bool:
        """Tell whether a finite number lies within the bounds."""
        return (self.at_least is None or value >= self.at_least) and (self.at_most is None or value <= self.at_most)

    @property
    def bound(self) -> str:
        """The bounds in words, "" without any."""
        parts = (("at least", self.at_least), ("at most", self.at_most))
        return ", ".join(f"{word} {bound:g} {self.unit}".rstrip() for word, bound in parts if bound is not None)


@dataclass(frozen=True)
class Item:
    """One line of the sheet. An automatic one has conditions, one for each role; a manual one has none."""

    name: str
    title: str
    why: str
    conditions: tuple[Condition, ...] = ()
    age_s: float = AGE_S
    bound: str = ""
    flags: bool = False  # every role is a flag: shown as "2 of 2"
    number: Number | None = None
    hold_at_s: float | None = None  # the count holds so many seconds before zero until this is met

    @property
    def automatic(self) -> bool:
        """Whether the station looks itself."""
        return bool(self.conditions)

    def shape(self) -> dict[str, object]:
        """Return the item as the page shows it and the session keeps it."""
        return {
            "name": self.name,
            "title": self.title,
            "why": self.why,
            "automatic": self.automatic,
            "bound": self.bound,
            "roles": [condition.role for condition in self.conditions],
            "comparison": self.conditions[0].comparison if self.conditions else "",
            "operand": self.conditions[0].operand if self.conditions else None,
            "within": self.conditions[0].within if self.conditions else 0.0,
            "flag": self.conditions[0].operand if self.flags else None,
            "age_s": self.age_s,
            "unit": self.number.unit if self.number is not None else None,
            "measures": self.number.measures if self.number is not None else "",
            "hold_at_s": self.hold_at_s,
        }


@dataclass(frozen=True)
class ItemGroup:
    """Items under one heading."""

    title: str
    items: tuple[Item, ...]


@dataclass(frozen=True)
class PadPlan:
    """A sheet checked against a dictionary; `text` is the file as it was written."""

    title: str
    note: str
    groups: tuple[ItemGroup, ...]
    text: str

    @property
    def items(self) -> tuple[Item, ...]:
        """All items, in the sheet's order."""
        return tuple(item for group in self.groups for item in group.items)

    def shape(self) -> dict[str, object]:
        """Return the sheet as the page shows it and the session keeps it."""
        groups = [{"title": group.title, "items": [item.shape() for item in group.items]} for group in self.groups]
        return {"title": self.title, "note": self.note, "groups": groups, "toml": self.text}


def sample_text() -> str:
    """Return the sheet that comes along, for the invented Sandpiper."""
    return resources.files("server.pad").joinpath("sheets/sandpiper-pad.toml").read_text("utf-8")


def load_pad_plan(path: Path | None, dictionary: Dictionary) -> PadPlan:
    """Read the sheet in a file, or the Sandpiper's; raises DictionaryError."""
    if path is None:
        return parse_pad_plan(sample_text(), dictionary, "sandpiper-pad.toml")
    try:
        data = path.read_bytes()
    except OSError as error:
        raise DictionaryError("file", f"cannot be read: {error.strerror}", str(path)) from error
    return parse_pad_plan(data.decode("utf-8", "replace"), dictionary, path.name)


def parse_pad_plan(text: str, dictionary: Dictionary, file: str = "pad sheet") -> PadPlan:
    """Build a sheet from TOML text; raises DictionaryError naming file, table and key."""
    if len(text.encode("utf-8", "replace")) > FILE_AT_MOST_BYTES:
        raise DictionaryError("file", f"is larger than {FILE_AT_MOST_BYTES} bytes", file)
    try:
        table = TomlTable(tomllib.loads(text), "", file)
    except (ValueError, RecursionError) as error:
        raise DictionaryError("file", f"is not valid TOML: {error}", file) from error
    if table.get("format", int) != FORMAT:
        raise table.problem(f"this Blockhouse reads pad sheets of format {FORMAT}", "format")
    reader = _PadReader(dictionary)
    title, note = _text(table, "title"), _text(table, "note", "")
    groups = tuple(reader.groups(table))
    table.done()
    count = sum(len(group.items) for group in groups)
    if not 1 <= count <= ITEMS_AT_MOST:
        raise table.problem(f"needs 1 to {ITEMS_AT_MOST} items, has {count}", "group")
    return PadPlan(title, note, (*groups, *reader.build_group()), text)


class _PadReader:
    """Reads groups and items and checks them against one dictionary."""

    def __init__(self, dictionary: Dictionary) -> None:
        self._dictionary = dictionary
        self._known = known_roles(dictionary) | set(QUANTITIES)
        self._channels = {c.role: c for spec in table_specs(dictionary).values() for c in spec.columns if c.role}
        self._taken: set[str] = set()

    def groups(self, table: TomlTable) -> Iterator[ItemGroup]:
        for group in table.tables("group"):
            title = _text(group, "title")
            items = tuple(self._item(item) for item in group.tables("item"))
            group.done()
            yield ItemGroup(title, items)

    def build_group(self) -> Iterator[ItemGroup]:
        """Where a vehicle can be rehearsed, every sheet asks what its firmware was built for, whatever its file says."""
        if self._dictionary.rehearsal is None:
            return
        table = TomlTable(BUILD_ITEM, "firmware build", "pad sheet")
        yield ItemGroup(BUILD_ITEM["title"], (self._item(table),))

    def _item(self, table: TomlTable) -> Item:
        name = table.get("name", str)
        if not NAME.match(name):
            raise table.problem(f"{name!r} must be lower-case letters, digits and - (at most 40)", "name")
        if name in self._taken:
            raise table.problem(f"the name '{name}' is already taken by another item", "name")
        self._taken.add(name)
        if table.has("tick") == table.has("role"):
            raise table.problem("needs either role (looked at by the station) or tick (done by a person)")
        item = self._manual(table, name) if table.has("tick") else self._automatic(table, name)
        if table.has("hold_at"):
            hold_at_s = table.get("hold_at", float)
            if not 1.0 <= hold_at_s <= HOLD_AT_MOST_S:
                raise table.problem(f"must be 1 to {HOLD_AT_MOST_S:g} seconds before zero", "hold_at")
            item = replace(item, hold_at_s=hold_at_s)
        table.done()
        return item

    def _manual(self, table: TomlTable, name: str) -> Item:
        number = _number(table.table("number")) if table.has("number") else None
        bound = number.bound if number is not None else ""
        return Item(name, _text(table, "tick"), _text(table, "why"), bound=bound, number=number)

    def _automatic(self, table: TomlTable, name: str) -> Item:
        title, why = _text(table, "title"), _text(table, "why")
        told = read_comparison(table, self._dictionary, self._known)
        if told.word == "one_of" and not (isinstance(told.operand, list) and told.operand):
            raise table.problem("must be a list with at least one value", "one_of")
        age_s = table.get("age_s", float, AGE_S)
        if not 0.0 < age_s <= AGE_AT_MOST_S:
            raise table.problem(f"must be above 0 and at most {AGE_AT_MOST_S:g} s", "age_s")
        conditions = tuple(
            Condition(name=name, title=title, role=role, comparison=told.word, operand=told.operand, within=told.within)
            for role in told.roles
        )
        channels = [self._channels.get(role) for role in told.roles]
        flags = all(channel is not None and channel.kind == "flag" for channel in channels)
        return Item(name, title, why, conditions, age_s, self._bound(conditions, channels[0]), flags)

    def _bound(self, conditions: tuple[Condition, ...], channel: Channel | None) -> str:
        first = conditions[0]
        operand = first.operand
        operands = operand if first.comparison == "one_of" and isinstance(operand, list | tuple) else [operand]
        words = " or ".join(shown(first.role, operand, channel) for operand in operands)
        around = f" within {shown(first.role, first.within, channel)}" if first.within else ""
        return f"{'all ' if len(conditions) > 1 else ''}{BOUND_WORDS[first.comparison]}{words}{around}"


def shown(role: str, value: object, channel: Channel | None) -> str:
    """Return a value or bound of a role as the sheet shows it: a text as it is, yes and no for a flag."""
    if isinstance(value, str):
        return value
    if channel is not None and channel.kind == "flag":
        return "yes" if value else "no"
    if not isinstance(value, int | float):
        return str(value)
    if channel is None or role in COMPUTED:  # a bound is written with all its digits, unlike a measured value
        scale, _, unit = ground_display(role)
        return f"{value * scale:.4g} {unit}".rstrip()
    return value_text(role, value, channel)


def _number(table: TomlTable) -> Number:
    bounds = {key: table.get(key, float) if table.has(key) else None for key in ("at_least", "at_most")}
    low, high = bounds["at_least"], bounds["at_most"]
    if low is not None and high is not None and low > high:
        raise table.problem("must not lie above at_most", "at_least")
    number = Number(_text(table, "unit"), low, high, table.get("measures", str, ""))
    if number.measures not in ("", QUANTITY):
        raise table.problem(f"can only be {QUANTITY!r}", "measures")
    if number.measures and number.unit != UNIT:
        raise table.problem(f"must be {UNIT!r} for {QUANTITY}", "unit")
    table.done()
    return number


def _text(table: TomlTable, key: str, default: str | None = None) -> str:
    """Return a text of one line, not empty unless a default is given and not endless."""
    if default is not None and not table.has(key):
        return default
    text = table.get(key, str)
    if not text.strip() or len(text) > TEXT_AT_MOST or not text.isprintable():
        raise table.problem(f"must be one line of 1 to {TEXT_AT_MOST} printable letters", key)
    return text
