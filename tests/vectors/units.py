"""Vectors of a person's units: amounts and the station's sentences, as they are read in each choice."""

from __future__ import annotations

from random import Random
from typing import Any

from server.flight.units import CHOICES, Units

SENTENCES = (
    "within 7 m (95 %)",
    "110 +- 6 m, reached at T+8.0 s",
    "5.4 m/s; expected 5.7 under both",
    "+40 m east, -3 m up, 1.0 +- 0.2 m/s",
    "9.8 m/s2, 0.2 ms, 3 min, 4 mm, 12 mAh, 7 km",
    "leaned 54 degrees toward 258 degrees in 6.6 m/s of wind",
)


def units(random: Random) -> list[dict[str, Any]]:
    """Return each choice with its unit's names, amounts in SI as they are read, and sentences of the station's."""
    return [_choice(random, name, units) for name, units in CHOICES.items()]


def _choice(random: Random, name: str, units: Units) -> dict[str, Any]:
    values = [0.0, -0.01, *(round(random.uniform(-3000.0, 3000.0), 2) for _ in range(12))]
    return {
        "name": name,
        "of": {"m": units.height, "m/s": units.speed},
        "amounts": [
            {"si": value, "digits": digits, "m": units.meters(value, digits), "m/s": units.meters_per_s(value, digits)}
            for value in values
            for digits in (0, 1)
        ],
        "sentences": [{"text": text, "read": units.said(text)} for text in SENTENCES],
    }
