"""The composition root: builds a station, its page server and, for the demo, its simulated vehicle, and runs them."""

from __future__ import annotations

import contextlib
import logging
import sys
from collections.abc import Callable
from pathlib import Path

from server import __version__
from server.bridge.link_watch import LinkState
from server.cli.shared import print_line
from server.http.context import PageContext
from server.http.operator_socket import tell_authority
from server.http.security import TokenGuard, new_token
from server.http.serving import KEEPER, listening_socket, serve
from server.http.viewers import Hub
from server.live.count_desk import CountDesk
from server.live.listeners import Listeners
from server.live.loop_first import loop_first
from server.live.pad_desk import PadDesk
from server.live.standing import Standing
from server.live.start import Live, Places, make_station
from server.live.station import Station
from server.live.terminal import said_aside
from server.live.trial_desk import TrialDesk, known_plans
from server.log_file import log_file
from server.settings import Settings, chart_folder, copies_folder, page_folder, sample_folder
from server.shelf.shelf import Shelf
from server.version import software

_log = logging.getLogger("blockhouse")


async def run_live(
    live: Live,
    settings: Settings,
    *,
    open_browser: bool,
    say: Callable[[str], None],
    until: Callable[[], bool] | None = None,
) -> Path:
    """Run a live station until a signal, or until `until()`; return the session file's path.

    Raises KeyProblem, RecorderFailed or StartProblem, each with one sentence, when it cannot start.
    """
    page_folder(), chart_folder()  # refuse an incomplete installation before anything is recorded
    with (
        contextlib.closing(listening_socket(settings.host, settings.http_port)) as listener,
        said_aside(_say_warning) as warn,  # no terminal, gone or standing still, holds the station up
        log_file(settings.sessions, warn) as log,
        said_aside(say) as say,
    ):
        made_by = software()
        places = Places(settings.sessions, settings.keys, copies_folder())

        def say_link(state: LinkState) -> None:
            _log.info("link %s: %s", state.state, state.sentence)
            say(f"Link {state.state}: {state.sentence}")

        # Nobody is told anything before the station is started, and by then hub and site are there.
        listeners = Listeners(lambda: hub.changed(), lambda: tell_authority(site), say_link)
        station = make_station(live, places, made_by, log.hide, listeners)
        hub = Hub(
            station.store,
            now=lambda: (station.now_s(), station.pipeline.last_t),
            beat=lambda: {"recording": station.recording_state(), "link": station.link_state()},
        )
        site = _site(settings, live.mode, station, hub, None)
        site.ignites_t, site.rate = live.ignites_t, live.rate
        if live.pad_sheet is not None:
            site.pad = PadDesk(station, live.pad_sheet)
        site.count = CountDesk(station, site.pad)
        log.hide(*site.tokens.values())
        await station.start()
        running = " ".join(filter(None, made_by))
        _log.info("version %s started (%s) on %s, recording %s", running, live.mode, live.source, station.name)
        standing = [Standing("heartbeat", "the pages' heartbeat", hub.beat_forever, station.notes)]
        if site.pad is not None:
            standing.append(Standing("pad sheet", "the pad sheet's look", site.pad.look_forever, station.notes))
        standing.append(Standing("count", "the count", site.count.look_forever, station.notes))
        for task in standing:
            task.start()
        try:
            with loop_first():
                await serve(site, settings, listener, open_browser, say, until)
        finally:
            for task in standing:
                task.cancel()
            if site.trials is not None:
                await site.trials.close()
            if site.pad is not None:
                site.pad.close()
            path = await station.stop()
            _log.info("stopped: %s", station.recorder.state.sentence)
    return path


def _say_warning(text: str) -> None:
    print_line(sys.stderr, text)


async def run_replay(
    settings: Settings, session: str | None, folder: Path | None, *, open_browser: bool, say: Callable[[str], None]
) -> None:
    """Serve the page for recordings only; there is no port and no command queue in this process."""
    listener = listening_socket(settings.host, settings.http_port)
    site = _site(settings, "replay", None, None, session, folder)
    await serve(site, settings, listener, open_browser, say, None)


def _site(
    settings: Settings, mode: str, station: Station | None, hub: Hub | None, session: str | None, folder: Path | None = None
) -> PageContext:
    folders = [folder] if folder is not None else []
    shelf = Shelf(settings.sessions, folders, sample_folder())
    tokens = _tokens(station)
    trials = TrialDesk(station, *known_plans(station)) if station is not None else None
    guard = TokenGuard(tokens)
    site = PageContext(__version__, mode, shelf, page_folder(), chart_folder(), tokens, guard, station, hub, session, trials)
    site.units = settings.units
    return site


def _tokens(station: Station | None) -> dict[str, str]:
    """Return a fresh token for every person's seat: one, or two under the two-person rule; one to keep a replay's shelf."""
    if station is None:
        return {KEEPER: new_token()}
    return {seat: new_token() for seat in (("1", "2") if station.two_person else ("1",))}
