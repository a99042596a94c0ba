"""Whatever raises after a record was decoded costs its own part: the bytes are recorded, the rest is shown and commanded."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from server.analysis.alarms import AlarmBoard
from server.analysis.pipeline import Pipeline
from server.bridge.link_watch import LinkWatch
from server.live import record_flow
from server.live.station import Station
from server.live.store import LiveStore, TableStore
from server.recording.session_file import open_session
from server.review.review import open_review
from server.uplink.command_queue import CommandQueue
from tests.server.flights import flown
from tests.server.live.test_station import serve, until
from tests.server.recording.sessions import bytes_of

CHUNKS = [chunk for t, chunk in flown().chunks if t < 3.0]


def raises(*_: object, **__: object) -> None:
    raise ZeroDivisionError("on purpose")


def of_table(name: str) -> Callable[..., Any]:
    """Return a `TableStore.add` that raises for one table."""
    works = TableStore.add

    def add(self: TableStore, rows: Any) -> None:
        if self.spec.name == name:
            raises()
        works(self, rows)

    return add


PARTS: list[tuple[object, str, Callable[..., Any], str]] = [
    (TableStore, "add", of_table("barometer"), "barometer could not be shown"),
    (LiveStore, "add_entries", raises, "the list of events could not be shown"),
    (AlarmBoard, "take", raises, "alarms could not be counted"),
    (LinkWatch, "on_packet", raises, "the command queue could not be told of the link"),
    (CommandQueue, "on_boot_id", raises, "the command queue could not be told of the vehicle's start"),
    (record_flow, "answers_in", raises, "the vehicle's answers could not be read"),
    (CommandQueue, "on_telemetry", raises, "the command queue could not be told of telemetry"),
    (Pipeline, "take", raises, "what was received could not be computed"),
]


@pytest.mark.parametrize(("owner", "name", "instead", "lost"), PARTS, ids=[part[3] for part in PARTS])
def test_what_raises_at_every_record_costs_its_own_part(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    owner: object,
    name: str,
    instead: Callable[..., Any],
    lost: str,
) -> None:
    async def what(station: Station, listener: socket.socket) -> None:
        peer, _ = await asyncio.to_thread(listener.accept)
        peer.settimeout(10.0)
        await until(lambda: station.link_state()["state"] == "waiting")
        peer.sendall(b"".join(CHUNKS[:50]))
        await until(lambda: station.link.boot_id is not None)  # no command can be addressed before
        monkeypatch.setattr(owner, name, instead)
        for chunk in CHUNKS[50:]:
            peer.sendall(chunk)
            await asyncio.sleep(0)
        expected = sum(map(len, CHUNKS))
        await until(lambda: station.recording_state()["bytes"] > expected)
        if owner is not Pipeline:
            await until(lambda: station.store.tables["navigation"].next_index > 50)
            assert station.store.latest("battery.voltage") is not None
        station.sign_in("Ada 1")
        assert station.act("Ada 1", "safe_all", {}).ok
        assert await asyncio.to_thread(peer.recv, 1000)
        peer.close()
        await until(lambda: station.link_state()["state"] == "closed")

    station, path = serve(what, tmp_path)
    assert b"".join(bytes_of(open_session(path))) == b"".join(CHUNKS)
    monkeypatch.undo()
    told = [entry.text for entry in open_review(path).output.entries if entry.topic == "fault"]
    assert told == [f"{lost}: ZeroDivisionError: on purpose"]
    if owner is not LiveStore and owner is not Pipeline:
        assert [entry["text"] for entry in station.store.journal if entry["topic"] == "fault"] == told
    assert sum(record.exc_info is not None for record in caplog.records if lost in record.getMessage()) == 1
