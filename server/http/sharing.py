"""Letting phones on the same network watch: a second address, view-only, and its link as a picture.

The operator's rights stay on this computer: what comes in by the shared address may look and nothing else, unless it was
asked that the desk be shared too. Which address a connection came in by is known from its own socket, not from anything
the other side says.
"""

from __future__ import annotations

import io
import ipaddress
import socket
from collections.abc import MutableMapping
from typing import Any

import segno

LOOKS = frozenset({"GET", "HEAD"})
DESK = "/ws/desk"


def lan_address() -> str | None:
    """Return the address by which this computer is seen on its network, or None without a network.

    A datagram socket "connected" to a documentation address (RFC 5737) tells which one the system would use; nothing
    is sent.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            return None
        found = probe.getsockname()[0]
    return None if ipaddress.ip_address(found).is_unspecified else found


def is_address(text: str) -> bool:
    """Tell whether a text is an IPv4 or IPv6 address."""
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


class ViewOnly:
    """Says of a connection whether it came in by the shared address and wants more than to look."""

    def __init__(self, shared: str) -> None:
        self._shared = shared

    def refuses(self, scope: MutableMapping[str, Any]) -> bool:
        """Tell whether to refuse an ASGI connection."""
        server = scope.get("server")
        if server is None or server[0] != self._shared:
            return False
        if scope["type"] == "websocket":
            return scope.get("path") == DESK
        return scope.get("method") not in LOOKS


def picture(link: str) -> bytes:
    """Return the QR code of a link as an SVG file, dark on light with the quiet zone of ISO/IEC 18004."""
    out = io.BytesIO()
    segno.make(link, error="m", micro=False).save(out, kind="svg", border=4, scale=6, light="#fff", xmldecl=False)
    return out.getvalue()
