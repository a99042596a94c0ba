"""The page's web server: sockets, host names, signals, and the links that are printed at the start."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable, Iterator, MutableMapping
from pathlib import Path
from typing import Any, Protocol

import uvicorn

from server.http.application import make_app
from server.http.connections import LinedSocket, page_socket
from server.http.context import PageContext
from server.http.doorman import Doorman
from server.http.opened import open_ahead
from server.http.security import Gatekeeper
from server.http.sharing import ViewOnly
from server.http.terminal_code import can_show, terminal_code
from server.problems import Problem

SEND_BUFFER_BYTES = 128 * 1024
USER_TIMEOUT_MS = 5000
MESSAGE_AT_MOST = 64 * 1024
STOP_WITHIN_S = 2
KEEPER = "keeper"  # the seat of a replay: it changes the shelf, and there is nothing to command


class StartProblem(Problem):
    """The station cannot start; the text is one plain sentence."""


class ServedAt(Protocol):
    """Where and to whom the page is served; `certificate` is a certificate and its key, for HTTPS."""

    @property
    def host(self) -> str: ...
    @property
    def share(self) -> str | None: ...
    @property
    def share_desk(self) -> bool: ...
    @property
    def certificate(self) -> tuple[Path, Path] | None: ...


def listening_socket(host: str, port: int) -> socket.socket:
    """Return a bound socket; small send buffers and a time-out keep a viewer that stopped reading from lingering."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # The event loop lets a connection send small pieces at once where the socket says what it speaks, and not otherwise.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
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


async def serve(
    site: PageContext,
    settings: ServedAt,
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
