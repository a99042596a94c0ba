"""The count on a live station: looks twenty times a second, takes a person's acts, and keeps everything in the session.

Notes of the topic "count": its state (key "state") at every change, and each second that is called out (key "second").
Page and replay fold the same notes. Nothing is transmitted, and nothing that commands looks here.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import UTC, datetime

from server.live.pad_desk import PadDesk
from server.live.station import Station
from server.pad.count import Count, CountEvent, HoldPoint, Stops
from server.pad.sheet import Standing
from server.telemetry.journal import JournalShape
from server.timestamps import NS_PER_S
from server.uplink.command_entry import Reply

TOPIC = "count"
LOOK_S = 0.05  # our choice: a called second is heard within half a tenth of its moment
ACTS = {event.value: event for event in CountEvent}
ANYBODYS = {CountEvent.HOLD}
MOMENTS = {"lift_off": CountEvent.LIFT_OFF, "landing": CountEvent.LANDING}


class CountDesk:
    """The count of one live station. Everything runs in the event loop."""

    def __init__(self, station: Station, pad: PadDesk | None) -> None:
        self._station, self._pad = station, pad
        items = pad.sheet.plan.items if pad is not None else ()
        self._points = {item.name: HoldPoint(item.hold_at_s, item.title) for item in items if item.hold_at_s is not None}
        self._titles = {item.name: item.title for item in items}
        self.count = Count(tuple(self._points.values()))
        self._seen = station.store.journal_next
        earlier = [entry for entry in station.store.journal if entry["topic"] == TOPIC and entry["key"] == "state"]
        if earlier:
            self.count.take_up(earlier[-1]["body"], station.store.journal[-1]["rx"], station.now_s())
        else:
            self.count.begin(station.now_s())
        self._keep()

    async def look_forever(self) -> None:
        """Look until cancelled."""
        while True:
            self.look()
            await asyncio.sleep(LOOK_S)

    def look(self) -> None:
        """One look: what has happened to the vehicle, then the time."""
        now_s = self._station.now_s()
        for entry in self._station.store.journal_since(self._seen):
            event = _event_of(entry)
            if event is not None:
                self.count.happen(event, now_s)
        self._seen = self._station.store.journal_next
        self.count.look(now_s)
        self._keep()

    def answer(self, operator: str, request: Mapping[str, object]) -> Reply:
        """Carry out {"act": "set" | "start" | "hold" | "resume" | "recycle", "seconds"} of a signed-in operator.

        Whoever holds authority has the count; a hold is anybody's who is signed in, as a voice on the field is.
        """
        self.look()  # a lift-off or restart that came before the act counts before it
        event = ACTS.get(str(request.get("act")))
        if event is None:
            return Reply(False, "this request is not understood")
        if event not in ANYBODYS and self._station.authority.holder != operator:
            return Reply(False, "only who holds command authority has the count; anybody signed in can hold it")
        at = datetime.fromtimestamp(self._station.clock.wall_ns() / NS_PER_S, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        problem = self.count.act(event, operator, at, self._station.now_s(), self._stops(), request.get("seconds"))
        self._keep()
        return Reply(problem is None, problem or "kept in the recording")

    def _stops(self) -> Stops:
        if self._pad is None:
            return Stops()
        self._pad.look()
        lines = self._pad.sheet.lines
        return Stops(
            red=[self._titles[name] for name, line in lines.items() if line.standing is Standing.NOT_MET],
            unmet=[point for name, point in self._points.items() if lines[name].standing is not Standing.MET],
        )

    def _keep(self) -> None:
        for change in self.count.take_changes():
            self._station.notes.note(TOPIC, change.key, "info", change.text, change.body)


def _event_of(entry: JournalShape) -> CountEvent | None:
    """Return what an entry of the journal is to the count."""
    if entry["topic"] == "restart" and entry["text"]:
        return CountEvent.VEHICLE_RESTART
    first = entry["topic"] == "moment" and entry["text"] and not entry["body"].get("finer")
    return MOMENTS.get(entry["key"]) if first else None
