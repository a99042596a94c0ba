"""Who may talk to the server: Host and Origin checks on every request and upgrade, and what a page may load.

Anything that can reach the port can try; a browser also lets any page try. So the Host header must name this server
(which stops DNS rebinding), a request that carries an Origin must carry ours (RFC 6455 section 10.2: a server made for
its own pages checks Origin), and a WebSocket must carry one. The policy lets the page load only what we serve.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

BODY_AT_MOST = 1 << 20


def new_token() -> str:
    """Return a fresh operator token of 256 bits."""
    return secrets.token_urlsafe(32)


def tokens_match(given: object, token: str) -> bool:
    """Compare a token in constant time."""
    return isinstance(given, str) and hmac.compare_digest(given.encode("utf-8", "replace"), token.encode())


def content_policy(host: str) -> str:
    """Return the Content-Security-Policy for pages served as `host` (name:port)."""
    return (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; media-src blob:; "
        f"font-src 'self'; connect-src 'self' ws://{host} wss://{host}; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


class Gatekeeper:
    """ASGI middleware: refuses foreign Host and Origin before anything else runs, and adds the security headers."""

    def __init__(self, app: App, hosts: Callable[[], frozenset[str]]) -> None:
        self._app = app
        self._hosts = hosts

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
        await self._app(scope, receive, _with_headers(send, headers[b"host"]) if scope["type"] == "http" else send)

    def _problem(self, scope: Scope, headers: dict[bytes, str]) -> tuple[int, str] | None:
        allowed = self._hosts()
        host = headers.get(b"host", "").lower()
        if host not in allowed:
            return 421, "this server does not answer under that name"
        length = headers.get(b"content-length", "0")
        if not length.isdigit() or int(length) > BODY_AT_MOST:
            return 413, "the request is too large"
        origin = headers.get(b"origin")
        if origin is None:
            return (403, "a WebSocket needs an Origin") if scope["type"] == "websocket" else None
        scheme, _, name = origin.lower().partition("://")
        if scheme not in ("http", "https") or name != host:
            return 403, "requests from other pages are refused"
        return None


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, sentence: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": sentence})
        return
    body = sentence.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def _with_headers(send: Send, host: str) -> Send:
    extra = [
        (b"content-security-policy", content_policy(host).encode("latin-1", "replace")),
        (b"x-content-type-options", b"nosniff"),
        (b"referrer-policy", b"no-referrer"),
        (b"cross-origin-opener-policy", b"same-origin"),
        (b"cross-origin-resource-policy", b"same-origin"),
        (b"cache-control", b"no-store"),
    ]

    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": [*message.get("headers", []), *extra]}
        await send(message)

    return send_with_headers
