"""Helpers of the pad sheet's tests: a small sheet for the Sandpiper, readings from a table, a hostile text."""

from __future__ import annotations

from dataclasses import replace

from protocol.dictionary_file import load_dictionary
from protocol.errors import DictionaryError
from server.pad.plan import PadPlan, parse_pad_plan
from server.pad.sheet import PadSheet
from server.telemetry.conditions import Reading

REHEARSED = load_dictionary()  # a sheet of its items has one more, what the firmware was built for
DICTIONARY = replace(REHEARSED, rehearsal=None)
HEAD = 'format = 1\ntitle = "A sheet"\n[[group]]\ntitle = "G"\n'
BATTERY = 'name = "battery"\ntitle = "Battery"\nrole = "battery.voltage"\nat_least = 7.4\nwhy = "It lasts."'
KEY_OUT = 'name = "key"\ntick = "Arming key out"\nwhy = "It is the safety device."'
WIND = 'name = "wind"\ntick = "Wind measured"\nnumber = { unit = "m/s", at_least = 0, at_most = 8.94 }\nwhy = "Gusts count."'
HOSTILE = "<img src=x onerror=alert(1)><b>bold</b>"
HOSTILE_KEY = f'name = "hostile"\ntick = "{HOSTILE}"\nwhy = "{HOSTILE}"'


def sheet_toml(*items: str) -> str:
    """Return a sheet of one group with items given as their TOML lines."""
    return HEAD + "".join(f"[[group.item]]\n{item}\n" for item in items)


def plan_of(*items: str) -> PadPlan:
    """Return a sheet checked against the Sandpiper's dictionary, as if it could not be rehearsed."""
    return parse_pad_plan(sheet_toml(*items), DICTIONARY, "sheet.toml")


def told(error: DictionaryError) -> str:
    """Return what an error says as "file: place: problem"."""
    return f"{error.file}: {error.where}: {error.problem}"


class Values:
    """Readings by role: (value, arrival)."""

    def __init__(self) -> None:
        self.values: dict[str, tuple[float, float]] = {}

    def set(self, role: str, value: float, rx_s: float) -> None:
        """A value of a role arrives."""
        self.values[role] = (value, rx_s)

    def reading(self, role: str, now_s: float) -> Reading | None:
        """Return the latest reading."""
        found = self.values.get(role)
        return None if found is None else Reading(*found)


def watched(sheet: PadSheet, values: Values, role: str, value: float, start_s: float, stop_s: float) -> None:
    """A role keeps a value between two seconds, and the sheet looks four times a second."""
    for quarter in range(round((stop_s - start_s) * 4) + 1):
        now_s = start_s + quarter / 4
        values.set(role, value, now_s)
        sheet.look(values, now_s)
