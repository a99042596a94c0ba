"""The pad sheet on a live station: looks four times a second, takes ticks, and keeps everything in the session.

Everything goes into the session as notes of the topic "pad_sheet": the sheet's text and shape (key "definition"), its
state (key "sheet") and each line when it changes (key "item NAME"). Page, replay and report fold the same notes, so the
recording shows what was seen on the pad. Values between changes are not noted; the page reads them from telemetry.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import UTC, datetime

from server.design.pad_wind import PadWind
from server.design.sheet_numbers import sheet_numbers_of
from server.live.station import Station
from server.pad.plan import PadPlan
from server.pad.readings import PadReadings
from server.pad.record import TOPIC
from server.pad.sheet import PadSheet, SheetEvent
from server.telemetry.journal import JournalShape
from server.timestamps import NS_PER_S
from server.uplink.command_entry import Reply

LOOK_S = 0.25
MOMENTS = {"lift_off": SheetEvent.LIFT_OFF, "landing": SheetEvent.LANDING}


class PadDesk:
    """The pad sheet of one live station. Everything runs in the event loop."""

    def __init__(self, station: Station, plan: PadPlan) -> None:
        self._station = station
        self._readings = PadReadings(station, sheet_numbers_of(*station.header.sheets))
        self.sheet = PadSheet(plan, station.dictionary)
        self._seen = 0
        self._take_up()
        station.notes.note(TOPIC, "definition", "info", "", {**plan.shape(), "at": self._utc()})
        self.sheet.begin(station.now_s())
        self._keep()

    def _take_up(self) -> None:
        """After a crash of the station: ticks and alarms stand as its earlier parts left them."""
        states: dict[str, Mapping[str, object]] = {}
        for entry in self._station.store.journal:
            if entry["topic"] == TOPIC:
                states[entry["key"]] = entry["body"]
            elif entry["topic"] == "alarm":
                self._readings.follow(entry["key"], entry["severity"], entry["body"])
        self._seen = self._station.store.journal_next
        if states:
            same = states.get("definition", {}).get("toml") == self.sheet.plan.text
            self.sheet.take_up(states, same, self._station.now_s())

    async def look_forever(self) -> None:
        """Look until cancelled."""
        while True:
            self.look()
            await asyncio.sleep(LOOK_S)

    def look(self) -> None:
        """One look: what has happened to the vehicle, then every automatic item."""
        now_s = self._station.now_s()
        for entry in self._station.store.journal_since(self._seen):
            self._follow(entry, now_s)
        self._seen = self._station.store.journal_next
        self._readings.wind = self.wind
        self.sheet.look(self._readings, now_s)
        self._keep()

    @property
    def wind(self) -> PadWind | None:
        """The wind measured at the pad, None while nobody has ticked it."""
        return self.sheet.wind

    def _follow(self, entry: JournalShape, now_s: float) -> None:
        topic, key = entry["topic"], entry["key"]
        if topic == "alarm":
            self._readings.follow(key, entry["severity"], entry["body"])
        elif topic == "restart" and entry["text"]:
            self.sheet.happen(SheetEvent.RESTART, now_s)
        elif topic == "moment" and key in MOMENTS:
            # The moment lies a little before it was noticed; what was heard until then counts.
            t = entry["body"].get("t")
            as_of_s = self._station.store.rx_at(float(t) if isinstance(t, int | float) else entry["t"])
            self.sheet.happen(MOMENTS[key], now_s, as_of_s=as_of_s)

    def close(self) -> None:
        """The station is closing: keep the values as they are."""
        self.look()
        self.sheet.keep_values()
        self._keep()

    def _keep(self) -> None:
        for change in self.sheet.take_changes():
            self._station.notes.note(TOPIC, change.key, change.severity, change.text, change.body)

    def _utc(self) -> str:
        return datetime.fromtimestamp(self._station.clock.wall_ns() / NS_PER_S, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

    # ------------------------------------------------------------ acts of a person

    def answer(self, operator: str, request: Mapping[str, object]) -> Reply:
        """Carry out one request of a signed-in operator: {"act": "tick" | "untick" | "afresh", "item", "round", "number"}.

        Nothing is transmitted, so command authority is not asked for.
        """
        self.look()  # a lift-off or restart that came before the act counts before it
        act, item, round = request.get("act"), str(request.get("item"))[:60], request.get("round")
        now_s = self._station.now_s()
        at = self._utc()
        if not isinstance(round, int) or isinstance(round, bool):
            return Reply(False, "this request is not understood")
        if act == "tick":
            problem = self.sheet.tick(item, round, operator, at, now_s, request.get("number"))
        elif act == "untick":
            problem = self.sheet.untick(item, round, operator, at, now_s)
        elif act == "afresh":
            problem = self.sheet.begin_afresh(round, operator, now_s)
        else:
            return Reply(False, "this request is not understood")
        self._keep()
        return Reply(problem is None, problem or "kept in the recording")
