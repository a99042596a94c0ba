"""What the pad sheet asks to be foreseen: drawn flights of the sheet in today's wind, once, and again with another wind.

Only where an item of the pad sheet names `foreseen.inside`; the drawing has a process of its own. What came of it is a note
of the session (topic "foretold", key "landing"), so that it lies beside what was then flown. Nothing is drawn in flight.
"""

from __future__ import annotations

import asyncio
import json
from contextlib import aclosing
from typing import Any

from server.design.drawn_apart import order
from server.design.pad_wind import PadWind
from server.live.foreseen.drawn_flights import drawn_lines
from server.live.pad_desk import PadDesk
from server.live.station import Station
from server.pad.plan import FORESEEN
from server.pad.sheet import SheetState

LOOK_S = 1.0
FLIGHTS, SEED = 1000, 1
TOPIC, KEY = "foretold", "landing"


class Foretelling:
    """The drawn flights of one live station. Everything runs in the event loop."""

    def __init__(self, station: Station, pad: PadDesk) -> None:
        self._station, self._pad = station, pad
        self._drawn_for: tuple[PadWind | None] | None = None

    @property
    def is_asked(self) -> bool:
        """Whether an item of the pad sheet needs it."""
        return any(told.role == FORESEEN for item in self._pad.sheet.plan.items for told in item.conditions)

    async def look_forever(self) -> None:
        """Draw when it is due, until cancelled."""
        while True:
            if self.is_asked and self._drawn_for != (self._pad.wind,) and self._pad.sheet.state is SheetState.OPEN:
                await self.draw()
            await asyncio.sleep(LOOK_S)

    async def draw(self) -> None:
        """Draw the flights once and note what they say."""
        wind = self._pad.wind
        self._drawn_for = (wind,)
        asked = {"flights": FLIGHTS, "seed": SEED, "changes": {}, "keep_margin": False, "by_flight": False}
        answer: dict[str, Any] = {}
        async with aclosing(drawn_lines(order(self._station.header.sheets, {}, wind, asked))) as lines:
            async for line in lines:
                answer = json.loads(line)
        told = answer.get("told")
        inside = None if told is None else _inside_percent(told)
        self._pad.foresee(inside)
        if told is None:
            self._station.notes.note(TOPIC, KEY, "info", f"Foreseen landing: {answer.get('sentence', 'not told')}", {})
            return
        body = {key: told[key] for key in ("flights", "seed", "stuck", "numbers", "control", "sources")}
        body["cases"] = [{key: case[key] for key in ("case", "title", "band", "outside")} for case in told["cases"]]
        self._station.notes.note(TOPIC, KEY, "info", f"Foretold: {' '.join(told['said'])} {told['caution']}", body)


def _inside_percent(told: dict[str, Any]) -> float | None:
    """Return the share of flights inside the field as things should go; one that never left the rail counts as none."""
    nominal = [case for case in told["cases"] if case["case"] == "nominal" and case["outside"] is not None]
    return 100.0 * (1.0 - nominal[0]["outside"]) if nominal else None
