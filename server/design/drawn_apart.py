"""Many flights drawn in a process of their own, so that a station that records has its own for itself.

`python -m server.design.drawn_apart` reads one JSON object from its input and writes lines of JSON: `{"done": N}` as it goes
on, and last `{"told": ...}` or `{"sentence": ...}`, why not. It gives way to everything else on the computer. Whoever ends
the process ends the work.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from typing import Any, TextIO

from server.design.configuration import ConfigurationProblem
from server.design.dispersion import dispersion
from server.design.dispersion_basis import Day
from server.design.flight_basis import NextFlightProblem, change_of
from server.design.pad_wind import PadWind
from server.design.sounding import SoundingProblem, sounding_of
from server.flight.airframe.thrust_curve import CurveProblem, curve_of_csv
from server.json_text import finite

TOLD_EVERY = 25  # flights


def order(
    sheets: tuple[Mapping[str, object], Mapping[str, object]],
    figures: Mapping[str, Mapping[str, object]],
    wind: PadWind | None,
    asked: Mapping[str, Any],
) -> str:
    """Return what the process reads. `asked`: flights, seed, changes, thrust, keep_margin, sounding, by_flight."""
    whole = {
        "vehicle": sheets[0],
        "site": sheets[1],
        "figures": {key: figures[key] for key in ("drag", "lean", "recovery") if key in figures},
        "wind": None if wind is None else [wind.speed_m_s, wind.at],
        "asked": asked,
    }
    return json.dumps(finite(whole))


def draw(text: str, out: TextIO) -> None:
    """Answer one order line by line."""
    given = json.loads(text)
    asked = given["asked"]
    last = [0]

    def heard(done: int) -> None:
        if done - last[0] >= TOLD_EVERY:
            last[0] = done
            print(json.dumps({"done": done}), file=out, flush=True)

    try:
        thrust, sounding = asked.get("thrust"), asked.get("sounding")
        day = Day(
            figures=given["figures"],
            pad_wind=None if given["wind"] is None else PadWind(*given["wind"]),
            sounding=sounding_of(sounding) if sounding else None,
            change=change_of(asked["changes"], curve_of_csv(thrust) if thrust else None, asked["keep_margin"]),
            by_flight=asked["by_flight"],
        )
        told = dispersion(given["vehicle"], given["site"], day, asked["flights"], asked["seed"], heard)
        answer: dict[str, object] = {"told": finite(told)}
    except (NextFlightProblem, ConfigurationProblem, SoundingProblem, CurveProblem) as problem:
        text = str(problem)
        answer = {"sentence": text if text.endswith(".") else f"It cannot be computed: {text}."}
    print(json.dumps(answer), file=out, flush=True)


def main() -> None:
    """Answer the order on standard input, at the lowest priority."""
    if hasattr(os, "nice"):
        with suppress(OSError):
            os.nice(10)
    draw(sys.stdin.read(), sys.stdout)


if __name__ == "__main__":
    main()
