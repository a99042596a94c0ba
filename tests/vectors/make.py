"""The vectors, from the station's own functions over seeded random cases and the edges."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from protocol.commands import Argument
from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from protocol.errors import ValueRefused
from server.analysis.alarms import AlarmBoard
from server.design.sheet_numbers import COULOMB_PER_MAH, SheetNumbers
from server.flight.power.battery import pad_time
from server.flight.sensors.limits import limit_levels
from server.json_text import finite
from server.pad.readings import UNIT_KINDS, PadReadings
from server.pad.sheet import ADVICE, Standing, summary_of
from server.telemetry.conditions import FRESH_S, Reading, value_text
from server.telemetry.journal import SEVERITIES, JournalEntry
from server.uplink.command_entry import STEPS
from server.uplink.command_state import ENDED, STATE_TEXT, State
from server.uplink.two_acts import TwoActs
from tests.vectors.constants import constants
from tests.vectors.flight import clocks, from_pad, greatest
from tests.vectors.units import units
from tests.vectors.words import beside, channels, numbers, phases, trials, values

FOLDER = Path(__file__).parent
LEVELS = ("", "caution", "warning")


def vectors() -> dict[str, object]:
    """Return every file's cases by its name, the same at every call; a number that is none is a word, as in all JSON."""
    own: list[Callable[[Random], object]] = [alarms, arguments, commands, limits, pad, pad_minutes, second_act]
    makers = [*own, beside, channels, clocks, constants, from_pad, greatest, numbers, phases, trials, units, values]
    return {maker.__name__: finite(maker(Random(maker.__name__))) for maker in makers}


def written(cases: object) -> str:
    """Return a file's text: one case a line."""
    if not isinstance(cases, dict):
        return _lines(cases) + "\n"
    return "{\n" + ",\n".join(f"{json.dumps(key)}: {_lines(part)}" for key, part in cases.items()) + "\n}\n"


def _lines(cases: object) -> str:
    if not isinstance(cases, list) or not all(isinstance(case, dict) for case in cases):
        return json.dumps(cases, ensure_ascii=False)
    return "[\n" + ",\n".join(json.dumps(case, ensure_ascii=False) for case in cases) + "\n]"


def alarms(random: Random) -> list[dict[str, Any]]:
    """Return journals with what stands at their end: keys, raises by arrival, acknowledgments by arrival."""
    return [_alarm_case(random) for _ in range(60)]


def _alarm_case(random: Random) -> dict[str, Any]:
    entries: list[JournalEntry] = []
    for i in range(random.randrange(1, 14)):
        rx_s, key = float(i + 1), random.choice("abcd")
        raised = [e.rx_s for e in entries if e.key == key and e.body.get("state") == "raised"]
        if raised and random.random() < 0.35:
            body: dict[str, object] = {"raised_rx": random.choice(raised), "by": "Ben"}
            entries.append(JournalEntry(rx_s, rx_s, "acknowledged", key, "info", "seen", body))
        else:
            severity = random.choice([*SEVERITIES[1:], SEVERITIES[1], "odd"])
            body = {"state": random.choice(["raised", "raised", "cleared"])}
            entries.append(JournalEntry(rx_s, rx_s, "alarm", key, severity, f"{key} at {i}", body))
    board = AlarmBoard()
    board.take(entries)
    pad_readings = PadReadings(_Fixed({}), SheetNumbers())
    for entry in entries:
        if entry.topic == "alarm":
            pad_readings.follow(entry.key, entry.severity, entry.body)
    warnings = pad_readings.reading("ground.warnings", 0.0)
    assert warnings is not None
    return {
        "entries": [entry.as_dict(i) for i, entry in enumerate(entries)],
        "standing": [
            {"key": a.key, "rx": a.entry.rx_s, "acknowledged_rx": a.acknowledged.rx_s if a.acknowledged else None}
            for a in board.standing()
        ],
        "warnings": warnings.value,
    }


def arguments(random: Random) -> list[dict[str, Any]]:
    """Return what a person types into a field, in SI, and whether a command may carry it."""
    dictionary = sandpiper()
    found: list[dict[str, Any]] = []
    for command in dictionary.commands.values():
        found += [_argument_case(arg, typed) for arg in command.args for typed in _typings(arg, random)]
    return found


def _typings(arg: Argument, random: Random) -> list[float]:
    """Return shown numbers inside, at and beyond the limits; at the limits what the field shows, three decimals."""
    low, high = (limit * arg.display_scale + arg.display_offset for limit in (arg.low, arg.high))
    whole = arg.scale == 1.0 and arg.type != "f32"
    step = 1.0 if whole else (high - low) * 1e-3
    inside = [random.uniform(low, high) for _ in range(3)]
    return [
        round(typed) if whole else round(typed, 3) for typed in (*inside, low - step, low + step, high - step, high + step)
    ]


def _argument_case(arg: Argument, typed: float) -> dict[str, Any]:
    value = float(typed) if arg.values else (typed - arg.display_offset) / arg.display_scale
    try:
        arg.raw_of(value)
        allowed = True
    except ValueRefused:
        allowed = False
    shape = {"name": arg.name, "type": arg.type, "min": arg.low, "max": arg.high, "unit": arg.unit}
    display = {"display_unit": arg.display_unit, "display_scale": arg.display_scale, "display_offset": arg.display_offset}
    return {"arg": {**shape, **display, "values": list(arg.values) or None}, "typed": typed, "si": value, "allowed": allowed}


def commands(_random: Random) -> dict[str, Any]:
    """Return the states of a command with the words for people, which of them end it, and its steps in order."""
    words = {state.value: STATE_TEXT[state] for state in State}
    return {"states": words, "ended": sorted(state.value for state in ENDED), "steps": list(STEPS)}


def limits(random: Random) -> list[dict[str, Any]]:
    """Return numbers with the limit of their channel that they are beyond."""
    cases = []
    for _ in range(40):
        low, high = sorted(round(random.uniform(-5.0, 5.0), 1) for _ in range(2))
        whole = {"warning_low": low - 1.0, "caution_low": low, "caution_high": high, "warning_high": high + 1.0}
        kept = {name: limit for name, limit in whole.items() if random.random() < 0.7}
        value = random.choice([*whole.values(), round(random.uniform(-8.0, 8.0), 2)])
        level = LEVELS[limit_levels(np.array([value]), kept)[0]]
        cases.append({"limits": kept, "value": value, "level": level})
    for value in (float("nan"), float("inf"), float("-inf")):
        level = LEVELS[limit_levels(np.array([value]), whole)[0]]
        cases.append({"limits": whole, "value": value, "level": level})
    return cases


def pad(random: Random) -> dict[str, Any]:
    """Return what the pad sheet says: its words, how far two units lie apart, a whole sheet in one line."""
    standings = list(Standing)
    lists = [[random.choice(standings) for _ in range(random.randrange(1, 9))] for _ in range(20)]
    return {
        "advice": ADVICE,
        "fresh_s": FRESH_S,
        "standings": [standing.value for standing in standings],
        "summaries": [
            {"standings": [one.value for one in kept], "text": summary_of(kept)} for kept in [*lists, [Standing.MET]]
        ],
        "apart": [_apart_case(random, role) for role in UNIT_KINDS for _ in range(10)],
    }


class _Fixed:
    """Readings that are what they are."""

    def __init__(self, values: dict[str, float]) -> None:
        self.values = values

    def reading(self, role: str, now_s: float) -> Reading | None:
        return Reading(self.values[role], now_s) if role in self.values else None


def _apart_case(random: Random, role: str) -> dict[str, Any]:
    kind = UNIT_KINDS[role]
    values = {f"{kind}.{unit}.{axis}": round(random.uniform(-20.0, 20.0), 3) for unit in "ab" for axis in "xyz"}
    reading = PadReadings(_Fixed(values), SheetNumbers()).reading(role, 0.0)
    assert reading is not None
    return {"role": role, "values": values, "text": value_text(role, reading.value, None)}


def pad_minutes(random: Random) -> list[dict[str, Any]]:
    """Return minutes on the pad with and without the cameras, from capacity, reserve, charge used and currents."""
    cases = []
    for i in range(40):
        capacity_mah, reserve_mah = round(random.uniform(300.0, 3000.0)), round(random.uniform(0.0, 300.0))
        used_c = round(random.uniform(0.0, 12000.0), 1)
        other_a = 0.0 if i % 8 == 0 else round(random.uniform(0.05, 1.0), 3)
        cameras_a = round(random.uniform(0.01, 2.0), 3)
        charge = (capacity_mah * COULOMB_PER_MAH, reserve_mah * COULOMB_PER_MAH, used_c)
        times = pad_time(*charge, other_a, cameras_a)
        cases.append(
            {
                "sheet": {"battery_capacity_mah": capacity_mah, "flight_reserve_mah": reserve_mah},
                "used_c": used_c,
                "other_a": other_a,
                "cameras_a": cameras_a,
                "minutes_on": times.cameras_on_min,
                "minutes_off": times.cameras_off_min,
            }
        )
    return cases


def second_act(random: Random) -> list[dict[str, Any]]:
    """Return whether a second act counts, a millisecond before and after each end of its window and within."""
    acts = TwoActs()
    acts.holder = "Ines"
    cases = []
    for _ in range(10):
        first = acts.first("Ines", "guarded", round(random.uniform(0.0, 4000.0), 3))
        for edge in (first.earliest_s, first.latest_s):
            for rx_s in (edge - 1e-3, edge + 1e-3):
                gate = "open" if acts.why_not(first, "Ines", rx_s) is None else "late" if first.is_over(rx_s) else "early"
                cases.append(
                    {"earliest_confirm_rx": first.earliest_s, "expires_rx": first.latest_s, "rx": rx_s, "gate": gate}
                )
    return cases


def sandpiper() -> Dictionary:
    """Return the dictionary of the invented vehicle."""
    return load_dictionary()
