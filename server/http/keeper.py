"""Who may change the shelf over HTTP.

Every change needs a token: the operator's at a live station, the one of the run's printed address in a replay. It comes
in the header "Authorization: Bearer TOKEN", which no other page can make a browser send. Host and Origin are checked
before anything here runs (`security.py`).
"""

from __future__ import annotations

import asyncio

from fastapi import HTTPException, Request

from server.http.context import PageContext, Site


async def keeper(request: Request, site: Site) -> None:
    """Let only a holder of a token through; a wrong one costs time, as at the desk."""
    kind, _, token = request.headers.get("authorization", "").partition(" ")
    if kind.lower() != "bearer" or not token:
        raise HTTPException(401, "Changing the shelf needs the page's own link, as printed in the terminal.")
    source = request.client.host if request.client else "?"
    verdict = site.guard.check(token, source, asyncio.get_running_loop().time())
    if verdict.seat is None:
        await asyncio.sleep(verdict.wait_s)
        raise HTTPException(403, "The token is not right; use the link printed in the terminal.")


def refuse_recording(site: PageContext, name: str) -> None:
    """Refuse what cannot be done to the session that is being recorded."""
    if site.station is not None and name == site.station.name:
        raise HTTPException(409, "This session is still being recorded; end the station first.")
