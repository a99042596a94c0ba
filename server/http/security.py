"""Who may talk to the server: Host and Origin checks on every request and upgrade, and what a page may load.

Anything that can reach the port can try; a browser also lets any page try. So the Host header must name this server
(which stops DNS rebinding), a request that carries an Origin must carry ours (RFC 6455 section 10.2: a server made for
its own pages checks Origin), and a WebSocket must carry one. A browser that tells by Fetch Metadata (W3C, the Sec-Fetch
headers) that another page asked is refused too, but for a person following a link. Then a source may ask for so much and
no more (`request_limit.py`). The policy lets the page load only what we serve.

Operators sign in with a token of 256 bits. `TokenGuard` compares it and slows wrong ones down.
"""

from __future__ import annotations

import asyncio
import hmac
import secrets
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from dataclasses import dataclass
from math import ceil, exp2, log2
from typing import Any

from server.http.request_limit import FILE_COST, FILES, RequestLimit

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

BODY_AT_MOST = 1 << 20
UPLOAD_AT_MOST = 1 << 29  # of an onboard log; its route takes it only from the holder of a token
FIRST_DELAY_S = 1.0
LONGEST_DELAY_S = 30.0
FORGIVEN_AFTER_S = 60.0  # one doubling is taken back after so long without a wrong token
OVERALL_PER_DOUBLING = 4  # so many wrong tokens, from wherever, double the delay of everybody's wrong tokens
SOURCES_AT_MOST = 256
ANSWERS_PENDING_AT_MOST = 16


def new_token() -> str:
    """Return a fresh operator token of 256 bits."""
    return secrets.token_urlsafe(32)


def tokens_match(given: object, token: str) -> bool:
    """Compare a token in constant time."""
    return isinstance(given, str) and hmac.compare_digest(given.encode("utf-8", "replace"), token.encode())


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a token is worth: the seat it opens, or None, and how long to wait before saying that it is wrong."""

    seat: str | None
    wait_s: float = 0.0


class Delay:
    """A delay that doubles with each wrong token and is forgiven with time."""

    def __init__(self, per_doubling: int = 1) -> None:
        self._step = 1.0 / per_doubling
        self._level = 0.0  # the delay is 2 to the power of (level - 1), in first delays
        self._at_s = 0.0

    def after_wrong(self, now_s: float) -> float:
        """Take one more wrong token; return the delay it earns in seconds."""
        highest = log2(LONGEST_DELAY_S / FIRST_DELAY_S) + 1.0
        self._level = min(self.level(now_s) + self._step, highest)
        self._at_s = max(self._at_s, now_s)
        return FIRST_DELAY_S * max(1.0, exp2(self._level - 1.0))

    def level(self, now_s: float) -> float:
        """Return how much is not yet forgiven."""
        return max(0.0, self._level - max(0.0, now_s - self._at_s) / FORGIVEN_AFTER_S)


class TokenGuard:
    """Opens seats to their tokens and slows wrong tokens down, per source and overall. No clock: time is an argument.

    A right token never waits. What keeps it from being guessed is its 256 bits, at whatever speed; an operator kept out
    by somebody's wrong guesses, or by an old page that tries again and again, could not make the vehicle safe. The delay
    keeps such a page from filling loop and log. Of the answers it holds back only `ANSWERS_PENDING_AT_MOST` are owed at a
    time: past that a wrong token is turned away at once, or waiting connections would use up what a right one needs.
    """

    def __init__(self, tokens: Mapping[str, str]) -> None:
        """Take the token of each seat; raises ValueError when two seats share one or one is empty."""
        if len(set(tokens.values())) != len(tokens) or not all(tokens.values()):
            raise ValueError("each seat needs a token of its own")
        self._tokens = dict(tokens)
        self._sources: OrderedDict[str, Delay] = OrderedDict()
        self._overall = Delay(OVERALL_PER_DOUBLING)
        self._pending: list[float] = []  # when the answers held back are due

    def seat_of(self, given: object) -> str | None:
        """Return the seat a token opens, None for a wrong one; in constant time, and nothing is held against the source.

        For where a wrong token gets what no token gets, so that nobody waits for an answer.
        """
        seat = None
        for name, token in self._tokens.items():  # to the end, so that the time tells nothing about which seat it was
            if tokens_match(given, token):
                seat = name
        return seat

    def check(self, given: object, source: str, now_s: float) -> Verdict:
        """Compare a token that came from `source` (an address) with every seat's, in constant time."""
        seat = self.seat_of(given)
        if seat is not None:
            return Verdict(seat)
        wait_s = max(self._delay_of(source).after_wrong(now_s), self._overall.after_wrong(now_s))
        self._pending = [due_s for due_s in self._pending if due_s > now_s]
        if len(self._pending) >= ANSWERS_PENDING_AT_MOST:
            return Verdict(None)
        self._pending.append(now_s + wait_s)
        return Verdict(None, wait_s)

    def _delay_of(self, source: str) -> Delay:
        delay = self._sources.setdefault(source, Delay())
        self._sources.move_to_end(source)
        while len(self._sources) > SOURCES_AT_MOST:
            self._sources.popitem(last=False)
        return delay


def content_policy(host: str) -> str:
    """Return the Content-Security-Policy for pages served as `host` (name:port)."""
    return (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; media-src blob:; "
        f"font-src 'self'; connect-src 'self' ws://{host} wss://{host}; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


class Gatekeeper:
    """ASGI middleware: refuses foreign Host and Origin before anything else runs, and adds the security headers."""

    def __init__(
        self,
        app: App,
        hosts: Callable[[], frozenset[str]],
        refuses: Callable[[Scope], bool] = lambda scope: False,
        limit: RequestLimit | None = None,
    ) -> None:
        self._app = app
        self._limit = limit or RequestLimit()
        self._hosts = hosts
        self._refuses = refuses

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one connection."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = {name.lower(): value.decode("latin-1") for name, value in scope["headers"]}
        problem = self._problem(scope, headers)
        if problem is not None:
            await _refuse(scope, receive, send, *problem)
            return
        cost = FILE_COST if scope["type"] == "http" and scope["path"].startswith(FILES) else 1.0
        wait_s = self._limit.wait_s((scope.get("client") or ("?",))[0], asyncio.get_running_loop().time(), cost)
        if wait_s > 0.0:
            await _refuse(scope, receive, send, 429, "too many requests from one place; wait a moment", wait_s)
            return
        await self._app(scope, receive, _with_headers(send, headers[b"host"]) if scope["type"] == "http" else send)

    def _problem(self, scope: Scope, headers: dict[bytes, str]) -> tuple[int, str] | None:
        allowed = self._hosts()
        host = headers.get(b"host", "").lower()
        if host not in allowed:
            return 421, "this server does not answer under that name"
        if self._refuses(scope):
            return 403, "this address only shows; commands and changes belong to the computer itself"
        if headers.get(b"sec-fetch-site") in ("cross-site", "same-site") and not _follows_link(scope, headers):
            return 403, "requests from other pages are refused"
        length = headers.get(b"content-length", "0")
        if not length.isdigit() or int(length) > (UPLOAD_AT_MOST if _is_upload(scope) else BODY_AT_MOST):
            return 413, "the request is too large"
        origin = headers.get(b"origin")
        if origin is None:
            return (403, "a WebSocket needs an Origin") if scope["type"] == "websocket" else None
        scheme, _, name = origin.lower().partition("://")
        if scheme not in ("http", "https") or name != host:
            return 403, "requests from other pages are refused"
        return None


def _follows_link(scope: Scope, headers: Mapping[bytes, str]) -> bool:
    if scope["type"] != "http" or scope.get("method") != "GET":
        return False
    return headers.get(b"sec-fetch-mode") == "navigate" and headers.get(b"sec-fetch-dest") == "document"


def _is_upload(scope: Scope) -> bool:
    path = str(scope.get("path", ""))
    return scope.get("method") == "POST" and path.startswith("/api/sessions/") and path.endswith("/onboard")


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, sentence: str, wait_s: float = 0.0) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": sentence})
        return
    body = sentence.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    if wait_s > 0.0:
        headers.append((b"retry-after", str(ceil(wait_s)).encode()))
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def _with_headers(send: Send, host: str) -> Send:
    extra = [
        (b"content-security-policy", content_policy(host).encode("latin-1", "replace")),
        (b"x-content-type-options", b"nosniff"),
        (b"referrer-policy", b"no-referrer"),
        (b"cross-origin-opener-policy", b"same-origin"),
        (b"cross-origin-resource-policy", b"same-origin"),
    ]

    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            said = list(message.get("headers", []))
            kept = [] if any(name == b"cache-control" for name, _ in said) else [(b"cache-control", b"no-store")]
            message = {**message, "headers": [*said, *extra, *kept]}
        await send(message)

    return send_with_headers
