"""What the page asks of the station and of sessions, live or recorded. Translation only."""

from __future__ import annotations

import asyncio
import time
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import Response

from server.http.context import LIVE, Site
from server.http.messages import dictionary_shape, recorded_shape
from server.http.openapi import given, refusals
from server.http.opened import opened, opened_columns
from server.http.sharing import picture
from server.json_text import to_json
from server.live.station import Station
from server.recording.segment import REHEARSAL_TRACK
from server.rehearsal.history import FILE, by_build, read
from server.rehearsal.track_file import TrackFault, read_track
from server.review.live_goals import live_card
from server.review.packets import packets_at
from server.review.review import Review
from server.review.summary import summarize
from server.review.summary_shape import JudgedCard
from server.review.verdict import verdict_of
from server.shelf.shelf import UnknownSession
from server.telemetry.columns import columns_payload

BUILDS_AT_MOST = 12  # as many as a person compares
LIST_WITHIN_S = 1.0  # the page asks again for what is still pending then
SESSION = refusals(404, 409, 503)

router = APIRouter(prefix="/api")


@router.get("/about")
def about(site: Site) -> dict[str, Any]:
    """Return what kind of station this is."""
    told: dict[str, Any] = {
        "version": site.version,
        "mode": site.mode,
        "open": site.open_first,
        "shared": site.shared_link,
        "units": site.units,
    }
    return told if site.ignites_t is None else told | {"ignites_t": site.ignites_t, "rate": site.rate}


@router.get("/clock", responses=refusals(404))
async def clock(site: Site) -> dict[str, float]:
    """Return the station's time in session seconds, so that a page can tell how late it hears."""
    return {"rx_now": _station(site.station).now_s()}


@router.get("/shared.svg", response_class=Response, responses={**given("image/svg+xml"), **refusals(404)})
def shared(site: Site) -> Response:
    """Return the link for phones as a picture."""
    if site.shared_link is None:
        raise HTTPException(404, "Nothing is shared: start the station with --share.")
    return Response(picture(site.shared_link), media_type="image/svg+xml")


@router.get("/sessions")
def sessions(site: Site, rehearsals: bool = False) -> list[dict[str, Any]]:
    """Return the shelf, newest first, rehearsals only where they are asked for; what would take long is pending."""
    begun = time.monotonic()
    recording = site.station.name if site.station else None
    items = site.shelf.items(recording, lambda: time.monotonic() - begun > LIST_WITHIN_S)
    return items if rehearsals else [item for item in items if not item["rehearsal"]]


@router.get("/trials")
def trials(site: Site) -> dict[str, Any]:
    """Return the written bench trials."""
    return site.trials.list() if site.trials is not None else {"plans": [], "problems": {}}


@router.get("/trials/past", responses=refusals(503))
async def past_trials(site: Site) -> dict[str, Any]:
    """Return the trials of the live vehicle that ended in earlier sessions, newest first; `whole` once all were read."""
    station = site.station
    if station is None:
        return {"trials": [], "whole": True}
    begun = time.monotonic()
    enough = lambda: time.monotonic() - begun > LIST_WITHIN_S  # noqa: E731
    return await site.work.run(lambda: site.past_trials.of(station.dictionary.vehicle, station.name, enough))


@router.get("/rehearsals")
def rehearsals(site: Site) -> dict[str, Any]:
    """Return how each firmware build has done in the rehearsals kept beside the recordings, the latest first."""
    try:
        runs, unreadable = read(site.shelf.folder / FILE)
    except OSError:  # as good as none: nothing else of the page hangs on it
        runs, unreadable = [], 0
    return {"builds": [asdict(build) for build in by_build(runs)[:BUILDS_AT_MOST]], "unreadable": unreadable}


@router.get("/rehearsals/{name}", responses=refusals(404))
def rehearsal(name: str, site: Site) -> dict[str, Any]:
    """Return what is kept of one rehearsal to be drawn: state against truth, phases, deployment; by its recording's name."""
    try:
        return asdict(read_track(site.shelf.place_of(name).beside(REHEARSAL_TRACK)))
    except (UnknownSession, FileNotFoundError) as missing:
        raise HTTPException(404, "No picture is kept of this rehearsal.") from missing
    except (TrackFault, OSError) as problem:
        raise HTTPException(404, "The picture kept of this rehearsal cannot be read.") from problem


@router.get("/sessions/{name}/dictionary", responses=SESSION)
async def dictionary(name: str, site: Site) -> dict[str, Any]:
    """Return the session's tables, commands and sheets."""
    if name == LIVE:
        station = _station(site.station)
        vehicle_sheet, site_sheet = station.header.sheets
        return dictionary_shape(station.dictionary, site.mode == "demo", site_sheet, vehicle_sheet)
    return await site.work.run(lambda: recorded_shape(opened(site, name)))


@router.get("/sessions/{name}/summary", responses=SESSION)
async def summary(name: str, site: Site) -> dict[str, Any]:
    """Return a finished session in numbers."""
    if name == LIVE:
        raise HTTPException(409, "A summary is made of a finished session.")
    return await site.work.run(lambda: _told(opened(site, name)))


def _told(review: Review) -> dict[str, Any]:
    """Return a summary with the sentence that it comes down to."""
    return {**summarize(review), "verdict": verdict_of(review)}


@router.get("/sessions/{name}/goals", response_class=Response, responses={**given("application/json"), **SESSION})
async def goals(name: str, site: Site) -> Response:
    """Return what a flight was for and what came of it, null without a card and, live, before it has landed."""
    if name != LIVE:
        return _card(await site.work.run(lambda: summarize(opened(site, name)).get("goals")))
    station = _station(site.station)
    sheet, store = station.header.sheets[0], station.store
    rows, journal = {name: table.matrix().copy() for name, table in store.tables.items()}, list(store.journal)
    return _card(await asyncio.to_thread(live_card, sheet, store.specs, rows, journal))


def _card(card: JudgedCard | None) -> Response:
    return Response(to_json(card), media_type="application/json")


@router.get("/sessions/{name}/packets", responses=SESSION)
async def packets(
    name: str, site: Site, rx: Annotated[float, Query(ge=-1e9, le=1e9, allow_inf_nan=False)]
) -> dict[str, Any]:
    """Return the newest packets that had arrived at a session second, as they crossed the radio."""
    if name == LIVE:
        raise HTTPException(409, "Packets are looked at in a finished session.")
    arrival = await site.work.run(lambda: packets_at(opened(site, name), rx))
    return {"rx_s": None, "packets": [], "left_out": 0} if arrival is None else asdict(arrival)


@router.get("/sessions/{name}/columns", response_class=Response, responses={**given("application/octet-stream"), **SESSION})
async def columns(name: str, site: Site) -> Response:
    """Return the session's rows and journal in binary columns."""
    if name == LIVE:
        body = await _live_columns(_station(site.station))
    else:
        body = await site.work.run(lambda: opened_columns(site, name))
    return Response(body, media_type="application/octet-stream")


def _station(station: Station | None) -> Station:
    if station is None:
        raise HTTPException(404, "Nothing is being recorded: this station was started to replay.")
    return station


async def _live_columns(station: Station) -> bytes:
    """Copy the store in the event loop, where it cannot change meanwhile; pack it elsewhere."""
    tables = [
        (table.spec, table.next_index - table.count, table.matrix().copy(), {k: list(v) for k, v in table.texts().items()})
        for table in station.store.tables.values()
    ]
    journal = list(station.store.journal)
    return await asyncio.to_thread(columns_payload, LIVE, tables, journal)
