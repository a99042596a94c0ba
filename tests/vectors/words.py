"""Vectors of what both sides say in words: numbers, values, channels, trials, values beside the pad sheet's bounds."""

from __future__ import annotations

from math import isfinite
from random import Random
from typing import Any

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from protocol.fields import Channel
from server.flight.motion.phase import Phase
from server.flight.motion.phase_agreement import VEHICLE_PHASES, PhaseAgreement, as_meant
from server.json_text import finite
from server.live.store import TableStore
from server.pad.plan import AGE_S, Item, parse_pad_plan
from server.pad.sheet import look_at
from server.telemetry.conditions import FRESH_S, Reading, value_text
from server.trials.plan import CYCLES_AT_MOST
from server.trials.result import share_text
from server.trials.state import TrialStanding, is_bad
from server.trials.watch import DANGEROUS, Watch
from tests.vectors.flight import NAN, SPEC, rows_of

INF = float("inf")
AGES_S = (0.1, 1.9, 2.1, 4.9, 5.1, 9.0)  # beyond ten seconds the page rounds an age as people do
NOW_S = 100.0
ROLES = ("igniter[a_1].armed", "air_start[2].fired", "channel[1].armed_for", "armed", "board.armed")
PAD = """format = 1
title = "Made"
[[group]]
title = "Made"
[[group.item]]
name = "least"
title = "Storage"
role = "camera[*].storage_left"
at_least = 8e9
why = "Made."
[[group.item]]
name = "most"
title = "Current"
role = "camera[*].current"
at_most = 0.5
age_s = 3.0
why = "Made."
[[group.item]]
name = "flags"
title = "Recovery"
role = "recovery[*].continuity"
equals = 1
why = "Made."
[[group.item]]
name = "flag"
title = "Board"
role = "board.inhibited"
equals = 1
why = "Made."
[[group.item]]
name = "phase"
title = "Phase"
role = "vehicle_phase"
one_of = ["pad", "ground test"]
why = "Made."
"""


class Readings:
    """Readings that are what they are: (value, age in s) by role."""

    def __init__(self, values: dict[str, tuple[float, float]]) -> None:
        self.values = values

    def reading(self, role: str, now_s: float) -> Reading | None:
        """Return the reading of a role, None where there is none."""
        if role not in self.values:
            return None
        value, age_s = self.values[role]
        return Reading(value, now_s - age_s)


def numbers(_random: Random) -> list[dict[str, Any]]:
    """Return numbers as they are sent to the page in rows and in notes, with what a reader must make of them."""
    meant = {"NaN": NAN, "Infinity": INF, "-Infinity": -INF, "0": 0.0, "-1.5": -1.5, "1e300": 1e300}
    values = list(meant.values())
    table = TableStore(SPEC)
    table.add(rows_of(values, values, values))
    _, rows = table.since(0, len(values))
    return [
        {"meant": text, "in_rows": row[-1], "in_notes": finite(value)}
        for (text, value), row in zip(meant.items(), rows, strict=True)
    ]


def values(random: Random) -> list[dict[str, Any]]:
    """Return values of every channel with a role, and the words for them."""
    channels = [c for c in load_dictionary().roles.values() if c.kind != "text"]
    return [_value_case(channel, value) for channel in channels for value in _values_of(channel, random)]


def _values_of(channel: Channel, random: Random) -> list[float]:
    if channel.kind == "enum":
        return [float(random.randrange(len(channel.values))), float(len(channel.values) + 3)]
    if channel.kind == "flag":
        return [0.0, 1.0]
    shown = random.uniform(*random.choice([(-10.0, 10.0), (0.0, 2.0), (-900.0, 900.0)]))
    return [(shown - channel.display_offset) / channel.display_scale, 0.0]


def _value_case(channel: Channel, value: float) -> dict[str, Any]:
    assert channel.role is not None
    return {"column": column_of(channel), "value": value, "text": value_text(channel.role, value, channel)}


def column_of(channel: Channel) -> dict[str, Any]:
    """Return what the page needs of a channel to write its values."""
    names = ("name", "kind", "unit", "display_unit", "display_scale", "display_offset", "range", "values")
    return {name: getattr(channel, name) for name in names}


def channels(random: Random) -> dict[str, Any]:
    """Return which roles a trial's watch looks at, and readings of a channel with what it makes of them."""
    dictionary = load_dictionary()
    return {
        "roles": [{"role": role, "watched": bool(DANGEROUS.match(role))} for role in (*dictionary.roles, *ROLES)],
        "cases": [_channel_case(random, dictionary) for _ in range(120)],
    }


def _channel_case(random: Random, dictionary: Dictionary) -> dict[str, Any]:
    readings: dict[str, tuple[float, float]] = {}
    for part in ("armed", "fired", "continuity"):
        if random.random() < 0.9:
            value = random.choice([0.0, 0.0, 1.0, 1.0, 2.0, NAN] if part == "armed" else [0.0, 1.0])
            readings[f"channel[1].{part}"] = value, random.choice([0.1, 0.1, 0.1, 1.9, 2.1, 30.0])
    watch = Watch(dictionary, Readings(readings))
    return {
        "readings": {role: list(reading) for role, reading in readings.items()},
        "armed": watch.odd([role for role in watch.kinds if role != "channel[1].armed"], NOW_S) is not None,
        "fired": "channel[1].fired" in watch.fired(NOW_S),
        "fresh": all(
            watch.heard_after(f"channel[1].{part}", NOW_S - FRESH_S, NOW_S) for part in ("armed", "fired", "continuity")
        ),
    }


def phases(_random: Random) -> list[dict[str, Any]]:
    """Return pairs of the ground's phase and the vehicle's word, and whether they disagree when they last."""
    return [_phase_case(ground, claim) for ground in Phase for claim in (*VEHICLE_PHASES, "idle")]


def _phase_case(ground: Phase, claim: str) -> dict[str, Any]:
    agreement = PhaseAgreement()
    agreement.ground(0.0, ground)
    for second in range(20):
        agreement.vehicle(float(second), as_meant(ground, claim))
    return {"ground": ground.value, "claim": claim, "differs": agreement.open is not None}


def trials(random: Random) -> dict[str, Any]:
    """Return what the journal can say of a trial and whether it is bad, how many cycles one may ask, shares in percent."""
    shares = [0.0, 1.0, 0.5, 0.001, *(random.uniform(0.0, 1.0) ** power for power in (1, 2, 4, 6) for _ in range(5))]
    return {
        "cases": [
            {"state": state.value, "safe": safe, "bad": is_bad(state, safe)}
            for state in TrialStanding
            for safe in ((True, False) if state in OVER else (True,))
        ],
        "cycles_at_most": CYCLES_AT_MOST,
        "shares": [{"share": share, "text": share_text(share)} for share in shares],
    }


OVER = (TrialStanding.PASSED, TrialStanding.FAILED, TrialStanding.STOPPED)


def beside(random: Random) -> dict[str, Any]:
    """Return items of a pad sheet with readings [value, age], what each says, and the value that is said of it."""
    dictionary = load_dictionary()
    items = parse_pad_plan(PAD, dictionary).items
    cases = [_beside_case(random, dictionary, item) for item in items for _ in range(40)]
    roles = [condition.role for item in items for condition in item.conditions]
    columns = {role: column_of(dictionary.roles[role]) for role in roles}
    return {"age_s": AGE_S, "items": [item.shape() for item in items], "columns": columns, "cases": cases}


def _beside_case(random: Random, dictionary: Dictionary, item: Item) -> dict[str, Any]:
    typical = {"least": (4e9, 16e9), "most": (0.1, 0.9)}.get(item.name)
    readings: dict[str, tuple[float, float]] = {}
    for condition in item.conditions:
        if random.random() < 0.9:
            value = random.uniform(*typical) if typical else float(random.randrange(2))
            value = NAN if typical and random.random() < 0.1 else value
            readings[condition.role] = value, random.choice(AGES_S[:2] * 3 + AGES_S)
    standing, text = look_at(item, dictionary, Readings(readings), NOW_S)
    assert all(isfinite(value) or typical for value, _ in readings.values())
    told = {role: list(reading) for role, reading in readings.items()}
    return {"item": item.name, "readings": told, "standing": standing.value, "text": text}
