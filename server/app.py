"""The composition root: builds a station, its page server and, for the demo, its simulated vehicle, and runs them."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable, Iterator, MutableMapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn

from protocol.dictionary import Dictionary
from server.bridge.link_watch import LinkState
from server.http.application import make_app, open_ahead
from server.http.connections import Doorman, LinedSocket, page_socket
from server.http.context import PageContext
from server.http.security import Gatekeeper, TokenGuard, new_token
from server.http.sharing import ViewOnly
from server.http.terminal_code import can_show, terminal_code
from server.http.viewers import Hub
from server.live.pad_desk import PadDesk
from server.live.station import Station
from server.live.trial_desk import TrialDesk, known_plans
from server.log_file import LogFile, log_file
from server.pad.plan import PadPlan
from server.recording.clock import SystemClock
from server.recording.recorder import Recorder, RecorderState
from server.recording.records import make_header
from server.recording.resume import resume_or_start
from server.recording.segment import session_name
from server.settings import Settings, Sheets, chart_folder, page_folder, sample_folder, version
from server.shelf.shelf import Shelf
from server.uplink.keys import CounterStore, copies_folder, load_or_make_key

SEND_BUFFER_BYTES = 128 * 1024
USER_TIMEOUT_MS = 5000
MESSAGE_AT_MOST = 64 * 1024
STOP_WITHIN_S = 2
KEEPER = "keeper"  # the seat of a replay: it changes the shelf, and there is nothing to command

_log = logging.getLogger("blockhouse")


class StartProblem(Exception):
    """The station cannot start; the text is one plain sentence."""


@dataclass(frozen=True)
class Live:
    """What a live station needs to know."""

    dictionary: Dictionary
    sheets: Sheets
    url: str
    baud: int
    mode: str  # "live" or "demo"
    source: str
    pad_sheet: PadPlan | None = None
    two_person: bool = False  # a hazardous command is confirmed by another person than the one who armed it


def listening_socket(host: str, port: int) -> socket.socket:
    """Return a bound socket; small send buffers and a time-out keep a viewer that stopped reading from lingering."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, USER_TIMEOUT_MS)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise StartProblem(
            f"The address {host}:{port} is taken or not allowed ({error.strerror}); is Blockhouse already running? "
            "Choose another with --http-port."
        ) from error
    return listener


def site_hosts(host: str, port: int) -> frozenset[str]:
    """Return the Host headers this server answers to."""
    names = {host.lower(), "127.0.0.1", "localhost"} if host in ("127.0.0.1", "localhost") else {host.lower()}
    bare = names if port == 80 else set()  # a browser leaves the default port out
    return frozenset({f"{name}:{port}" for name in names} | bare)


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
        log_file(settings.sessions) as log,
    ):
        station = _build_station(live, settings, log)
        hub = Hub(
            station.store,
            now=lambda: (station.now_s(), station.pipeline.last_t),
            beat=lambda: {"recording": station.recording_state(), "link": station.link_state()},
        )
        site = _site(settings, live.mode, station, hub, None)
        if live.pad_sheet is not None:
            site.pad = PadDesk(station, live.pad_sheet)
        log.hide(*site.tokens.values())

        def say_link(state: LinkState) -> None:
            _log.info("link %s: %s", state.state, state.sentence)
            say(f"Link {state.state}: {state.sentence}")

        station.on_change = hub.changed
        station.on_link = say_link
        await station.start()
        _log.info("version %s started (%s) on %s, recording %s", version(), live.mode, live.source, station.name)
        standing = [asyncio.create_task(hub.beat_forever())]
        if site.pad is not None:
            standing.append(asyncio.create_task(site.pad.look_forever()))
        try:
            await _serve(site, settings, listener, open_browser, say, until)
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


def _build_station(live: Live, settings: Settings, log: LogFile) -> Station:
    clock = SystemClock()
    key = load_or_make_key(settings.keys, copies_folder())
    log.hide(key.hex())
    header = make_header(
        clock,
        software=version(),
        dictionary=live.dictionary.text,
        vehicle=live.sheets.vehicle,
        site=live.sheets.site,
        source=live.source,
    )

    def make_recorder(on_state: Callable[[RecorderState], None]) -> Recorder:
        if live.mode == "demo":  # another demonstration is another vehicle: never a continuation
            name = session_name(clock.wall_ns(), live.dictionary.vehicle)
            return Recorder(settings.sessions, name, header, clock=clock, on_state=on_state)
        return resume_or_start(settings.sessions, live.dictionary.vehicle, header, clock=clock, on_state=on_state)

    return Station(
        dictionary=live.dictionary,
        key=key,
        counters=CounterStore(settings.keys, key, copies_folder()),
        url=live.url,
        baud=live.baud,
        clock=clock,
        make_recorder=make_recorder,
        mode=live.mode,
        two_person=live.two_person,
    )


async def run_replay(
    settings: Settings, session: str | None, folder: Path | None, *, open_browser: bool, say: Callable[[str], None]
) -> None:
    """Serve the page for recordings only; there is no port and no command queue in this process."""
    listener = listening_socket(settings.host, settings.http_port)
    site = _site(settings, "replay", None, None, session, folder)
    await _serve(site, settings, listener, open_browser, say, None)


def _site(
    settings: Settings, mode: str, station: Station | None, hub: Hub | None, session: str | None, folder: Path | None = None
) -> PageContext:
    folders = [folder] if folder is not None else []
    shelf = Shelf(settings.sessions, folders, sample_folder())
    tokens = _tokens(station)
    trials = TrialDesk(station, *known_plans(station)) if station is not None else None
    guard = TokenGuard(tokens)
    return PageContext(version(), mode, shelf, page_folder(), chart_folder(), tokens, guard, station, hub, session, trials)


def _tokens(station: Station | None) -> dict[str, str]:
    """Return a fresh token for every person's seat: one, or two under the two-person rule; one to keep a replay's shelf."""
    if station is None:
        return {KEEPER: new_token()}
    return {seat: new_token() for seat in (("1", "2") if station.two_person else ("1",))}


async def _serve(
    site: PageContext,
    settings: Settings,
    listener: socket.socket,
    open_browser: bool,
    say: Callable[[str], None],
    until: Callable[[], bool] | None,
) -> None:
    host, port = settings.host, listener.getsockname()[1]
    hosts = site_hosts(host, port)
    scheme = "https" if settings.certificate else "http"
    listeners = [listener]
    refuses: Callable[[MutableMapping[str, Any]], bool] = lambda scope: False  # noqa: E731
    if settings.share is not None:
        listeners.append(listening_socket(settings.share, port))
        hosts |= site_hosts(settings.share, port)
        bracketed = f"[{settings.share}]" if ":" in settings.share else settings.share
        site.shared_link = f"{scheme}://{bracketed}:{port}/"
        if not settings.share_desk:
            refuses = ViewOnly(settings.share).refuses
    app = Gatekeeper(make_app(site), lambda: hosts, refuses, site.limit)
    certificate, certificate_key = settings.certificate or (None, None)
    config = uvicorn.Config(
        app,
        http=page_socket(Doorman()),
        ws=LinedSocket,
        ws_max_size=MESSAGE_AT_MOST,
        ws_per_message_deflate=False,
        proxy_headers=False,
        server_header=False,
        access_log=False,
        log_config=None,
        log_level="warning",
        lifespan="off",
        timeout_graceful_shutdown=STOP_WITHIN_S,
        ssl_certfile=certificate,
        ssl_keyfile=certificate_key,
    )
    server = _PageServer(config)
    if site.open_first is not None:
        # The page will ask for it first; by the time a browser has come up it is open.
        threading.Thread(target=open_ahead, args=(site, site.open_first), daemon=True).start()
    address = f"{scheme}://{host}:{port}/"
    word = "operator" if site.station is not None else "shelf"
    links = {seat: f"{address}#{word}={token}" for seat, token in site.tokens.items()}
    serving = asyncio.create_task(server.serve(sockets=listeners))
    with _signals(server):
        while not server.started and not serving.done():
            await asyncio.sleep(0.01)
        say(f"Page: {address}")
        for seat, link in links.items():
            say(f"{_whose(seat, len(links))}: {link}")
            if can_show(sys.stdout, os.environ):
                say(terminal_code(link))
        if site.shared_link is not None:
            say(f"Shared on this network, {'with the desk' if settings.share_desk else 'view only'}: {site.shared_link}")
            if can_show(sys.stdout, os.environ):
                say(terminal_code(site.shared_link))
        if open_browser:
            await asyncio.to_thread(webbrowser.open, next(iter(links.values()), address))
        while not serving.done():
            if until is not None and until():
                server.should_exit = True
            await asyncio.sleep(0.05)
        await serving


def _whose(seat: str, seats: int) -> str:
    if seat == KEEPER:
        return "Keeper's page (this link can label, note and delete sessions)"
    whose = "Operator's" if seats == 1 else "First" if seat == "1" else "Second"
    return f"{whose} page (this link can command, keep it to yourself)"


class _PageServer(uvicorn.Server):
    """uvicorn without its signal handlers: they would raise the signal again after we have closed in order."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave the signals to `_signals`."""
        yield


@contextlib.contextmanager
def _signals(server: uvicorn.Server) -> Iterator[None]:
    """End in order on the first signal; further ones change nothing, because ending takes no longer than two seconds."""
    loop = asyncio.get_running_loop()

    def stop() -> None:
        server.should_exit = True

    for number in (signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])):
        try:
            loop.add_signal_handler(number, stop)
        except (NotImplementedError, RuntimeError):
            signal.signal(number, lambda *_: loop.call_soon_threadsafe(stop))
    yield


def say_to_terminal(text: str) -> None:
    """Print one line at once, also into a pipe."""
    print(text, flush=True, file=sys.stdout)
