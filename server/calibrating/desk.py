"""Calibrations on a live station, for the page's Try: the same steps as `blockhouse calibrate`, one at a time.

Nothing is transmitted: it listens, says what to do, and ends by itself. What it says and what came of it are notes of
the topic "calibration" (key "now"), so that every page and a replay see it; the files are the note's, and the page
saves them. What computes is loaded when a calibration begins, and works in a thread beside the station.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Mapping
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from server.design.sheet_numbers import sheet_numbers_of
from server.live.station import Station
from server.live.store import TableStore
from server.telemetry.columns import PLACE_COLUMNS
from server.timestamps import NS_PER_S
from server.uplink.command_entry import Reply

if TYPE_CHECKING:
    from server.calibrating.guide import Options
    from server.calibrating.signals import Collector

TOPIC, KEY = "calibration", "now"
LOOK_S = 0.5
HEIGHTS_AT_MOST = 40
HIGHEST_M = 1000.0
SERIAL_ROLE = "unit.serial"


_log = logging.getLogger(__name__)


class CalibrationDesk:
    """The calibration of one live station. Everything but the computing runs in the event loop."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self._task: asyncio.Task[None] | None = None
        self._asked: dict[str, object] = {}
        self._close_left_open()

    def _close_left_open(self) -> None:
        """After a crash of the station nothing is under way any more."""
        earlier = [entry["body"] for entry in self._station.store.journal if entry["topic"] == TOPIC]
        if earlier and earlier[-1].get("state") == "running":
            self._asked = dict(earlier[-1])
            self._note("stopped", "the station was restarted", {})

    def answer(self, operator: str, request: Mapping[str, object]) -> Reply:
        """Carry out {"act": "begin", "what", "unit", "serial", "heights"} or {"act": "stop"} of a signed-in operator."""
        act = request.get("act")
        if act == "stop":
            return self._stop(operator)
        if act != "begin":
            return Reply(False, "this request is not understood")
        if self.is_running:
            return Reply(False, "a calibration is running; stop it first")
        return self._begin(operator, request)

    @property
    def is_running(self) -> bool:
        """Whether one is under way."""
        return self._task is not None and not self._task.done()

    async def close(self) -> None:
        """The station is closing."""
        if self._task is not None and not self._task.done():
            self._note("stopped", "the station is closing", {})
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task

    def _stop(self, operator: str) -> Reply:
        if self._task is None or self._task.done():
            return Reply(False, "no calibration is running")
        self._task.cancel()
        self._note("stopped", f"stopped by {operator}", {})
        return Reply(True, "stopped")

    def _begin(self, operator: str, request: Mapping[str, object]) -> Reply:
        from server.calibrating.guide import KINDS, Options, groups_of
        from server.calibrating.place import at_place
        from server.calibrating.result_files import check_serial
        from server.calibrating.signals import Collector, channels_of, require, step_of
        from server.flight.calibration.estimate import UncalibratedFault

        what, unit, heights = str(request.get("what")), str(request.get("unit")), _heights(request.get("heights"))
        if what not in KINDS or unit not in ("a", "b") or heights is None:
            return Reply(False, "this request is not understood")
        if what == "barometer" and not heights:
            return Reply(False, "the heights of the stairs are needed, such as 0, 3, 6, 3, 0")
        dictionary, told = self._station.dictionary, self._station.store.latest_text(SERIAL_ROLE)
        given = str(request.get("serial") or "").strip()
        if told and given and told != given:
            return Reply(False, f"the vehicle says that its serial is {told[:40]}")
        try:
            serial = check_serial(given or told)
            accel, gyro = (step_of(dictionary, f"{kind}.{unit}") for kind in ("accel", "gyro"))
            options = Options(what, unit, heights, count_m_s2=accel, count_rad_s=gyro)
            options = at_place(options, sheet_numbers_of(*self._station.header.sheets))
            needs, likes = groups_of(options)
            require(dictionary, needs)
        except UncalibratedFault as problem:
            return Reply(False, str(problem))
        self._asked = {"what": what, "title": KINDS[what].title, "unit": unit, "serial": serial, "operator": operator}
        collector = Collector(channels_of(dictionary, (*needs, *likes)))
        self._note("running", "", {"do": "", "seen": [], "share": 0.0}, f"Calibration begins: {KINDS[what].title}")
        self._task = asyncio.create_task(self._run(options, collector, serial))
        return Reply(True, "it begins: do what it says, one step after the other")

    async def _run(self, options: Options, collector: Collector, serial: str) -> None:
        from server.calibrating.guide import standing
        from server.flight.calibration.estimate import UncalibratedFault

        heard = {channels[0].packet: self._table(channels[0].packet).next_index for channels in collector.channels.values()}
        shown: object = None
        try:
            while True:
                self._take(collector, heard)
                here = await asyncio.to_thread(standing, options, collector.signals())
                body = {"do": here.do, "seen": list(here.seen), "share": round(here.share, 3)}
                if here.ready:
                    break
                if body != shown:
                    shown = body
                    self._note("running", "", body)
                await asyncio.sleep(LOOK_S)
            result = await asyncio.to_thread(_result, options, collector, serial, self._utc().date())
            self._note("done", "", {**body, "result": result}, f"Calibration done: {self._asked['title']}")
        except UncalibratedFault as problem:
            self._note("refused", str(problem), {}, f"Calibration refused: {problem}")
        except Exception as error:
            _log.exception("a calibration ended by itself")
            why = f"it could not be computed ({type(error).__name__})"
            self._note("refused", why, {}, f"Calibration refused: {why}")

    def _table(self, packet: str) -> TableStore:
        return self._station.store.tables[packet]

    def _take(self, collector: Collector, heard: dict[str, int]) -> None:
        """Hand on the rows that came since the last look."""
        for group, channels in collector.channels.items():
            table = self._table(channels[0].packet)
            fresh = min(table.next_index - heard[channels[0].packet], table.count)
            if fresh > 0:
                rows = table.matrix()[-fresh:]
                places = [len(PLACE_COLUMNS) + table.spec.numeric.index(one.name) for one in channels]
                collector.add(group, rows[:, 0], rows[:, places])
        for packet in heard:
            heard[packet] = self._table(packet).next_index

    def _note(self, state: str, why: str, body: Mapping[str, object], text: str = "") -> None:
        kept = {**self._asked, "state": state, "why": why, **body}
        self._station.notes.note(TOPIC, KEY, "info", text, kept)

    def _utc(self) -> datetime:
        return datetime.fromtimestamp(self._station.clock.wall_ns() / NS_PER_S, UTC)


def _result(options: Options, collector: Collector, serial: str, day: date) -> dict[str, object]:
    """Return what the page shows and saves of a finished calibration."""
    from server.calibrating.guide import calibrated
    from server.calibrating.result_files import header_text, table_of, toml_text

    found = calibrated(options, collector.signals())
    tables = {options.name: table_of(options, found, serial, day)}
    rows = [
        {"name": one.name, "values": one.values.tolist(), "sigma": one.sigma.tolist(), "unit": one.unit}
        for one in found.estimates
    ]
    files = {"toml": toml_text(tables), "header": header_text(tables)}
    return {"name": options.name, "rows": rows, "said": list(found.said), **files}


def _heights(told: object) -> tuple[float, ...] | None:
    """Return a request's heights in meters, () where there are none, None for what is no list of heights."""
    if told is None:
        return ()
    if not isinstance(told, list) or len(told) > HEIGHTS_AT_MOST:
        return None
    fine = [one for one in told if isinstance(one, int | float) and not isinstance(one, bool) and abs(one) <= HIGHEST_M]
    return tuple(float(one) for one in fine) if len(fine) == len(told) else None
